"""What the shipped networks reach on writers that training never saw, cell by cell, run as the product runs them."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np

from digitise.reader import tally_network
from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, NETWORKS, SURE, TICK_CLASSES, softmax
from digitise.reader.line_network import best_texts
from digitise.surveys import roster
from digitise.train.harvest import INK_LEVEL, NONE

_CLASSES = {"digit": DIGIT_CLASSES, "letter": LETTER_CLASSES, "tick": TICK_CLASSES}
_SIZES = ((0, 0), (1, 10), (11, 40), (41, 80))


def _answers(path: Path, pictures: np.ndarray, batch: int) -> list[np.ndarray]:
    network = cv2.dnn.readNetFromONNX(str(path))
    out = []
    for start in range(0, len(pictures), batch):
        network.setInput(pictures[start : start + batch, None].astype(np.float32) / INK_LEVEL)
        out.append(network.forward("answers").copy())
    return out


def character_report(folder: Path, boxes: np.ndarray, labels: np.ndarray) -> dict:
    """Accuracy of each head by class, and the letters' confusion: mean probability given to each letter.

    Where the first network is unsure, the second one has its say, as in `digitise.reader.characters` but for what is
    known of sheets: there void and junk are weighed down.
    """
    ends = np.cumsum([len(c) for c in _CLASSES.values()])[:-1]
    first, second = (np.split(np.concatenate(_answers(folder / n, boxes, 256)), ends, axis=1) for n in NETWORKS)
    out: dict = {}
    for (name, classes), head, other, truth in zip(_CLASSES.items(), first, second, labels.T, strict=True):
        known = truth != NONE
        unsure = softmax(head).max(axis=1, keepdims=True) < SURE
        head = np.where(unsure, (head + other) / 2, head)
        right = head[known].argmax(axis=1) == truth[known]
        by_class = {
            c: round(float(right[truth[known] == i].mean()), 4)
            for i, c in enumerate(classes)
            if (truth[known] == i).any()
        }
        out[name] = {"boxes": int(known.sum()), "right": round(float(right.mean()), 5), "by_class": by_class}
        if name == "letter":
            soft = softmax(head[known])[:, :26]
            out["letter_confusion"] = [
                [round(float(v), 6) for v in soft[truth[known] == i].mean(axis=0)] for i in range(26)
            ]
    return out


def tally_report(folder: Path, pictures: np.ndarray, counts: np.ndarray) -> dict:
    """Share of counts that both networks together have exactly right, by size; of void and zero marks told apart."""
    both = [np.concatenate(_answers(folder / n, pictures, 32)) for n in tally_network.NETWORKS]
    strokes = np.mean([maps[:, 0].sum(axis=(1, 2)) for maps in both], axis=0)
    marks = np.mean([maps[:, 1:].max(axis=(2, 3)) for maps in both], axis=0) > 0
    out: dict = {
        "boxes": len(counts),
        "void_right": round(float((marks[:, 0] == (counts[:, 1] > 0.5)).mean()), 4),
        "zero_right": round(float((marks[:, 1] == (counts[:, 2] > 0.5)).mean()), 4),
    }
    for low, high in _SIZES:
        rows = (counts[:, 0] >= low) & (counts[:, 0] <= high) & (counts[:, 2] < 0.5)
        if rows.any():
            error = strokes[rows] - counts[rows, 0]
            out[f"{low}-{high}"] = {
                "boxes": int(rows.sum()),
                "right": round(float((np.abs(error) < 0.5).mean()), 4),
                "rms": round(float(np.sqrt((error**2).mean())), 3),
            }
    return out


def line_report(path: Path, pictures: np.ndarray, texts: np.ndarray) -> dict:
    """Share of lines read exactly, and of characters (1 less edit distance a character)."""
    written = [i for i, t in enumerate(texts) if t]
    answers = np.concatenate(_answers(path, pictures[written], 16))
    exact, edits = 0, 0
    for logits, truth in zip(answers, texts[written], strict=True):
        text = best_texts(softmax(logits[:, 0].T.astype(np.float64)), 1)[0][0]
        exact += text == truth
        edits += roster.edits(text, str(truth))
    characters = sum(len(texts[i]) for i in written)
    return {
        "lines": len(written),
        "right": round(exact / max(1, len(written)), 4),
        "characters": characters,
        "characters_right": round(1 - edits / max(1, characters), 4),
    }


def check_networks(folder: Path, harvested: Path) -> dict:
    """Report on the networks in `folder`, written there as ``training.json``."""
    data = np.load(harvested)
    report = {
        "pages": int(data["pages"].sum()),
        "characters": character_report(folder, data["boxes"], data["labels"]),
        "tally": tally_report(folder, data["tallies"], data["counts"]),
        "lines": line_report(folder / "lines.onnx", data["lines"], data["texts"]),
    }
    (folder / "training.json").write_text(json.dumps(report) + "\n", encoding="utf-8")
    return report


def summary(report: dict) -> str:
    """The report's main figures in a few lines."""
    heads = [
        f"{name} {report['characters'][name]['right']:.2%} of {report['characters'][name]['boxes']}"
        for name in _CLASSES
    ]
    sizes = [f"tally {k} {v['right']:.1%} of {v['boxes']}" for k, v in report["tally"].items() if isinstance(v, dict)]
    lines = report["lines"]
    words = f"lines {lines['right']:.1%} of {lines['lines']}, their characters {lines['characters_right']:.1%}"
    return "\n".join([", ".join(heads), ", ".join(sizes), words])
