"""A small network of random weights as ONNX: what is computed in it, and that it still answers alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest
import torch

from imaging.film import Film
from imaging.training.config import Config, load
from imaging.training.export import export, quantise
from imaging.training.model import MAPS, Finder

SIDE = 128

pytestmark = pytest.mark.filterwarnings(
    "ignore:You are using the legacy", "ignore:.*TorchScript-based ONNX export"
)


@pytest.fixture
def config() -> Config:
    recipe = load()
    return replace(recipe, network=replace(recipe.network, side_px=SIDE, stem=8, channels=(16,) * 5))


@pytest.fixture
def weights(config: Config, tmp_path: Path) -> Path:
    """Of a network whose statistics are those of the films below, so that nothing in it dies or explodes."""
    torch.manual_seed(0)
    network = Finder(config.network.stem, config.network.channels).train()
    seen = torch.from_numpy(np.stack([film.pixels for film in films()]))[:, None]
    with torch.no_grad():
        for _ in range(30):
            network(seen)
    torch.save(network.state_dict(), tmp_path / "random.pt")
    return tmp_path / "random.pt"


def films(count: int = 4) -> list[Film]:
    rng = np.random.default_rng(1)
    return [Film(rng.random((SIDE, SIDE), dtype=np.float32)) for _ in range(count)]


def answer(path: Path, film: Film) -> list[np.ndarray]:
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    return session.run(["maps", "scores"], {"film": film.pixels[None, None]})


def test_the_stem_as_one_convolution_says_the_same(weights, config, tmp_path):
    network = Finder(config.network.stem, config.network.channels)
    network.load_state_dict(torch.load(weights, weights_only=True))
    film = films(1)[0]
    with torch.no_grad():
        maps, scores = network.eval()(torch.from_numpy(film.pixels)[None, None])
    export(weights, tmp_path / "half.onnx", config)
    found = answer(tmp_path / "half.onnx", film)
    assert not [node for node in onnx.load(tmp_path / "half.onnx").graph.node if node.op_type == "Transpose"]
    assert np.abs(found[0] - maps.numpy()).max() < 0.02 * maps.std()
    assert np.abs(found[1] - scores.numpy()).max() < 0.02


def test_in_eight_bits_a_network_answers_nearly_alike(weights, config, tmp_path):
    export(weights, tmp_path / "half.onnx", config)
    export(weights, tmp_path / "eight.onnx", config, films())
    film = films(5)[-1]
    half, eight = answer(tmp_path / "half.onnx", film), answer(tmp_path / "eight.onnx", film)
    moved = np.abs(eight[0] - half[0])
    assert 0.0 < moved.mean() < 0.1 * half[0].std()
    assert np.abs(eight[1] - half[1]).max() < 0.1


def test_all_but_the_first_and_the_last_convolution_are_whole_numbers_of_seven_bits(weights, config, tmp_path):
    export(weights, tmp_path / "eight.onnx", config, films())
    graph = onnx.load(tmp_path / "eight.onnx").graph
    numbers = {tensor.name: onnx.numpy_helper.to_array(tensor) for tensor in graph.initializer}
    made_by = {name: node for node in graph.node for name in node.output}
    convolutions = [node for node in graph.node if node.op_type == "Conv"]
    exact = [node for node in convolutions if node.input[1] in numbers]
    assert [node.output[0] for node in exact if node.output[0] == "maps"] == ["maps"]
    assert len(exact) == 2
    for node in convolutions:
        if node in exact:
            continue
        kernel = numbers[made_by[node.input[1]].input[0]]
        assert kernel.dtype == np.int8
        assert np.abs(kernel).max() == 64


def test_it_still_says_what_its_outputs_are(weights, config, tmp_path):
    export(weights, tmp_path / "eight.onnx", config, films())
    said = {entry.key: entry.value for entry in onnx.load(tmp_path / "eight.onnx").metadata_props}
    assert said["maps"].split(",") == list(MAPS)
    assert said["side_px"] == str(SIDE)


def test_nothing_is_rounded_without_films_to_see_how_large_numbers_become(weights, config, tmp_path):
    export(weights, tmp_path / "half.onnx", config)
    before = (tmp_path / "half.onnx").read_bytes()
    with pytest.raises(ValueError, match="no films found"):
        quantise(tmp_path / "half.onnx", [])
    assert (tmp_path / "half.onnx").read_bytes() == before
