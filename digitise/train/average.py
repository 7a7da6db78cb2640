"""Average networks trained apart into one ONNX file: fewer errors, and doubt where they disagree."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import onnx
from onnx import TensorProto, helper


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
