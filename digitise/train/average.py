"""Average networks from several training runs into one ONNX file, without training anything again."""

from __future__ import annotations

from pathlib import Path

import onnx
from onnx import TensorProto, helper


def member(path: Path, output: str) -> onnx.ModelProto:
    """The part of a network that computes one of its inner tensors (one of a pair, say)."""
    model = onnx.load(path)
    model.graph.output.append(helper.make_tensor_value_info(output, TensorProto.FLOAT, None))
    return onnx.utils.Extractor(model).extract_model(["pictures"], [output])


def members(path: Path) -> list[str]:
    """Names of the inner tensors whose mean a network gives; its own output when it is a single one."""
    graph = onnx.load(path).graph
    made_by = {name: node for node in graph.node for name in node.output}
    last = made_by[graph.output[0].name]
    if last.op_type == "Mul":
        added = made_by.get(next(i for i in last.input if i in made_by and made_by[i].op_type == "Add"))
        return list(added.input)
    return [graph.output[0].name]


def average(parts: list[tuple[Path, str]], out: Path) -> None:
    """Write a network that gives the mean of the named tensors of the given networks."""
    nodes, weights, outputs = [], [], []
    for i, (path, tensor) in enumerate(parts):
        graph = onnx.compose.add_prefix(member(path, tensor), f"m{i}_").graph
        own = graph.input[0].name
        for node in graph.node:
            node.input[:] = ["pictures" if name == own else name for name in node.input]
        nodes += list(graph.node)
        weights += list(graph.initializer)
        outputs.append(f"m{i}_{tensor}")
    nodes += [helper.make_node("Sum", outputs, ["sum"]), helper.make_node("Mul", ["sum", "share"], ["answers"])]
    weights.append(helper.make_tensor("share", TensorProto.FLOAT, [1], [1.0 / len(parts)]))
    first = onnx.load(parts[0][0])
    picture = helper.make_tensor_value_info(
        "pictures",
        TensorProto.FLOAT,
        ["boxes", *[d.dim_value for d in first.graph.input[0].type.tensor_type.shape.dim[1:]]],
    )
    answer = helper.make_tensor_value_info("answers", TensorProto.FLOAT, ["boxes", None])
    graph = helper.make_graph(nodes, "average", [picture], [answer], weights)
    model = helper.make_model(graph, opset_imports=first.opset_import, ir_version=first.ir_version)
    onnx.checker.check_model(model)
    onnx.save(model, out)
