"""A trained network as an ONNX file with half-precision weights, which says what its outputs are."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import torch

from imaging.film_kind import SIDE_PX
from imaging.training.config import Config
from imaging.training.kinds import KINDS, KindNet
from imaging.training.model import MAPS, STRIDE, TUBES, Finder

_SMALL = 256
"""Constants with fewer elements stay in single precision."""


def _halve_weights(path: Path, said: Mapping[str, str]) -> None:
    """Store the weights as float16, each with a cast in front of its use: half the size, same arithmetic."""
    import numpy as np
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(path)
    casts = []
    for tensor in model.graph.initializer:
        values = numpy_helper.to_array(tensor)
        if values.dtype != np.float32 or values.size < _SMALL:
            continue
        name = tensor.name
        tensor.CopyFrom(numpy_helper.from_array(values.astype(np.float16), name + "_half"))
        casts.append(helper.make_node("Cast", [name + "_half"], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    for key, value in said.items():
        model.metadata_props.add(key=key, value=value)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def export(weights: Path, out: Path, config: Config) -> None:
    """Write `weights` (a state dict) as ONNX: `film` in, `maps` and `tubes` out.

    Parameters
    ----------
    weights : Path
        From `imaging.training.train`.
    out : Path
        The ONNX file.
    config : Config
        The recipe that the weights were trained with.
    """
    network = Finder(config.network.stem, config.network.channels)
    network.load_state_dict(torch.load(weights, weights_only=True))
    network.eval()
    side = config.network.side_px
    out.parent.mkdir(parents=True, exist_ok=True)
    torch.onnx.export(
        network.float(), (torch.zeros(1, 1, side, side),), str(out), dynamo=False, opset_version=17,
        input_names=["film"], output_names=["maps", "tubes"],
    )  # fmt: skip
    _halve_weights(
        out, {"maps": ",".join(MAPS), "tubes": ",".join(TUBES), "side_px": str(side), "stride": str(STRIDE)}
    )


def export_kinds(weights: Path, out: Path) -> None:
    """Write the small network of `imaging.training.kinds` as ONNX: `film` in, `kinds` out."""
    network = KindNet()
    network.load_state_dict(torch.load(weights, weights_only=True))
    network.eval()
    torch.onnx.export(
        network.float(), (torch.zeros(1, 1, SIDE_PX, SIDE_PX),), str(out), dynamo=False, opset_version=17,
        input_names=["film"], output_names=["kinds"],
    )  # fmt: skip
    _halve_weights(out, {"kinds": ",".join(kind.name for kind in KINDS)})
