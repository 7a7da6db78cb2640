"""Average networks into one ONNX file.

Of networks trained apart the answers are averaged: fewer errors, and doubt where they disagree, at the cost of running
all. Of a network and those that went on from it the weights are, which costs nothing to run.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper


def average(networks: Sequence[Path], out: Path) -> None:
    """Write a network that gives the mean of the answers of the given ones, all of one shape."""
    models = [onnx.load(path) for path in networks]
    nodes, weights, outputs = [], [], []
    for i, model in enumerate(models):
        graph = onnx.compose.add_prefix(model, f"m{i}_").graph
        own = graph.input[0].name
        for node in graph.node:
            node.input[:] = ["pictures" if name == own else name for name in node.input]
        nodes += list(graph.node)
        weights += list(graph.initializer)
        outputs.append(graph.output[0].name)
    nodes += [helper.make_node("Sum", outputs, ["sum"]), helper.make_node("Mul", ["sum", "share"], ["answers"])]
    weights.append(helper.make_tensor("share", TensorProto.FLOAT, [1], [1.0 / len(models)]))
    picture, answer = models[0].graph.input[0], models[0].graph.output[0]
    picture.name, answer.name = "pictures", "answers"
    graph = helper.make_graph(nodes, "average", [picture], [answer], weights)
    model = helper.make_model(graph, opset_imports=models[0].opset_import, ir_version=models[0].ir_version)
    onnx.checker.check_model(model)
    onnx.save(model, out)


def average_weights(networks: Sequence[Path], out: Path) -> None:
    """Write a network with the mean of the weights of a network and of others that went on from it.

    Wortsman et al. (2022), Model soups, ICML, arXiv:2203.05482.
    """
    models = [onnx.load(path) for path in networks]
    layers = [[n for n in m.graph.node if n.op_type in ("Conv", "Gemm")] for m in models]
    weights = [{w.name: w for w in m.graph.initializer} for m in models]
    for those in zip(*layers, strict=True):
        for place in (1, 2):  # weights, then biases
            own = [w[layer.input[place]] for w, layer in zip(weights, those, strict=True)]
            mean = np.mean([numpy_helper.to_array(w) for w in own], axis=0)
            own[0].CopyFrom(numpy_helper.from_array(mean.astype(np.float32), own[0].name))
    onnx.checker.check_model(models[0])
    onnx.save(models[0], out)
