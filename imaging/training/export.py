"""A trained network as an ONNX file of half-precision weights or of 8 bits, which says what its outputs are."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from imaging.film import Film
from imaging.film_kind import SIDE_PX
from imaging.network.looking import look
from imaging.network.members import Maps, Session, load_members, load_shape
from imaging.training.config import Config
from imaging.training.kinds import KINDS, KindNet
from imaging.training.model import MAPS, SCORES, STRIDE, Finder
from imaging.training.synthetic import read_synthetic

_SMALL = 256
"""Constants with fewer elements stay in single precision."""
_CALIBRATION_FILMS = 12
"""Synthetic films that show how large the numbers inside a network become; each gives five views."""
_IN_WHOLE_NUMBERS = ("Conv", "Relu", "Add", "Resize")
"""Kinds of nodes that are computed so: nearly all of the arithmetic, and what lies between."""


def _halve_weights(path: Path, said: Mapping[str, str]) -> None:
    """Store the weights as float16, each with a cast in front of its use: half the size, same arithmetic."""
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


def _one_convolution(stem: nn.Sequential) -> nn.Sequential:
    """The stem without sorting pixels into channels first: the same sums by a wider kernel and its stride."""
    sorting, convolution, *rest = stem
    step, kernel = sorting.downscale_factor, convolution.weight.detach()
    side, margin = kernel.shape[-1] * step, int(convolution.padding[0]) * step
    wide = nn.Conv2d(kernel.shape[1] // step**2, kernel.shape[0], side, stride=step, padding=margin, bias=False)
    apart = kernel.unflatten(1, (-1, step, step)).permute(0, 1, 4, 2, 5, 3)
    wide.weight = nn.Parameter(apart.reshape(wide.weight.shape))
    return nn.Sequential(wide, *rest)


def export(weights: Path, out: Path, config: Config, films: Sequence[Film] = ()) -> None:
    """Write `weights` (a state dict) as ONNX: `film` in, `maps` and `scores` out.

    Parameters
    ----------
    weights : Path
        From `imaging.training.train`.
    out : Path
        The ONNX file.
    config : Config
        The recipe that the weights were trained with.
    films : sequence of Film
        For `quantise`; without any, single precision is kept.
    """
    network = Finder(config.network.stem, config.network.channels)
    network.load_state_dict(torch.load(weights, weights_only=True))
    network.stem = _one_convolution(network.stem)
    network.eval()
    side = config.network.side_px
    out.parent.mkdir(parents=True, exist_ok=True)
    torch.onnx.export(
        network.float(), (torch.zeros(1, 1, side, side),), str(out), dynamo=False, opset_version=17,
        input_names=["film"], output_names=["maps", "scores"],
    )  # fmt: skip
    _halve_weights(
        out, {"maps": ",".join(MAPS), "scores": ";".join(SCORES), "side_px": str(side), "stride": str(STRIDE)}
    )
    if films:
        quantise(out, films)


@dataclass(frozen=True, slots=True)
class _Listening:
    """A network that keeps the views it is asked about."""

    session: Session
    views: list[Maps] = field(default_factory=list)

    def run(self, names: Sequence[str], feeds: Mapping[str, Maps]) -> list[Maps]:
        """Answer as the network does."""
        self.views.append(feeds["film"])
        return self.session.run(names, feeds)


def _views(path: Path, said: Mapping[str, str], films: Sequence[Film]) -> list[Maps]:
    """What a network sees of films in use: whole ones and closer looks, as they are and mirrored."""
    shape = replace(
        load_shape(), maps=tuple(said["maps"].split(",")), scores=tuple(said["scores"].split(";")),
        side_px=int(said["side_px"]), stride=int(said["stride"]),
    )  # fmt: skip
    listening = _Listening(load_members((path,))[0])
    for film in films:
        look(film, (listening, listening), shape)
    return listening.views


@dataclass(frozen=True, slots=True)
class _Shown:
    """Views as calibration asks for them, one after the other."""

    left: Iterator[Maps]

    def get_next(self) -> dict[str, Maps] | None:
        """None at the end."""
        view = next(self.left, None)
        return None if view is None else {"film": view}


def _save_plain(path: Path, out: Path) -> None:
    """Save a network with its weights in single precision, and without nodes that compute constants."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_ENABLE_BASIC
    options.optimized_model_filepath = str(out)
    onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def _kept_exact(graph: Any) -> list[str]:
    """Names of the nodes up to the first convolution, and of those from the last one on, on every way out."""
    made_by = {name: node for node in graph.node for name in node.output}
    first = next(node for node in graph.node if node.op_type == "Conv")
    kept, left = set(), [first, *(made_by[output.name] for output in graph.output)]
    while left:
        node = left.pop()
        kept.add(node.name)
        if node.name == first.name or node.op_type not in ("Conv", "Gemm"):
            left += [made_by[name] for name in node.input if name in made_by]
    return sorted(kept)


def calibration_films(synthetic: Path) -> list[Film]:
    """Some of the synthetic films of the recipe, of every difficulty; none where there are none.

    Parameters
    ----------
    synthetic : Path
        Folder of `imaging.training.synthetic.make_synthetic`.
    """
    found = read_synthetic(synthetic)
    return [
        Film(film.pixels.astype(np.float32) / 255.0) for film in found[:: max(len(found) // _CALIBRATION_FILMS, 1)]
    ]


def quantise(path: Path, films: Sequence[Film]) -> None:
    """Have the convolutions of an exported network computed in whole numbers of 8 bits, in place.

    The film's contrast, the first convolution and the last layers stay as they are. Weights get 7 bits and a scale
    for each channel: with 8, processors without VNNI instructions would overflow and answer otherwise.

    Parameters
    ----------
    path : Path
        ONNX file of `export`, with `film` in, and what it says of itself.
    films : sequence of Film
        Upright; what they show as they are looked at in use sets the ranges of the numbers.

    Raises
    ------
    ValueError
        Where there are no films.
    """
    import onnx
    from onnxruntime.quantization import QuantType, quantize_static

    if not films:
        raise ValueError(
            "export: no films found to calibrate 8-bit numbers with; run the step 'synthesise' first."
        )
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder, "plain.onnx")
        _save_plain(path, plain)
        model = onnx.load(plain)
        said = {entry.key: entry.value for entry in model.metadata_props}
        quantize_static(
            plain, path, _Shown(iter(_views(plain, said, films))), op_types_to_quantize=list(_IN_WHOLE_NUMBERS),
            nodes_to_exclude=_kept_exact(model.graph), per_channel=True, reduce_range=True,
            activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
        )  # fmt: skip


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
