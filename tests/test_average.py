"""Networks averaged into one file."""

import onnx
import pytest

from digitise.reader.characters import MODELS, NETWORKS


def _weights(model):
    return {w.name: onnx.numpy_helper.to_array(w) for w in model.graph.initializer}


def test_weights_of_networks_that_went_on_from_one_another_are_averaged_one_by_one(tmp_path) -> None:
    """A network beside one whose layers' weights are three times as large: twice as large; nothing else is touched."""
    from digitise.train.average import average_weights

    model = onnx.load(MODELS / NETWORKS[1])
    layers = {name for n in model.graph.node if n.op_type in ("Conv", "Gemm") for name in n.input[1:]}
    before = _weights(model)
    for weight in model.graph.initializer:
        if weight.name in layers:
            weight.CopyFrom(onnx.numpy_helper.from_array(3 * before[weight.name], weight.name))
    onnx.save(model, tmp_path / "went-on.onnx")
    average_weights([MODELS / NETWORKS[1], tmp_path / "went-on.onnx"], tmp_path / "mean.onnx")

    after = _weights(onnx.load(tmp_path / "mean.onnx"))
    assert len(layers) > 8
    assert after.keys() == before.keys()
    for name, value in before.items():
        assert after[name] == pytest.approx((2 if name in layers else 1) * value, rel=1e-6), name
        assert after[name].dtype == value.dtype
