"""Hold drawn tubes' lines against real ones: `python docs/make_drawn_tubes.py --packed FOLDER` (extra `train`)."""

from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib as mpl
import numpy as np
import torch

from imaging.training.compose import Dice, Orders, compose
from imaging.training.config import load
from imaging.training.overlays import draw_overlays
from imaging.training.pack import HANNOVER, NIH, unpack
from imaging.training.shelf import Shelf
from imaging.training.tube_looks import LineLook, look_of_line

OUT = Path(__file__).with_name("drawn-tubes.svg")
TITLES = {
    "width_mm": "width, nominal mm",
    "contrast": "contrast, of 1",
    "sharpness_per_mm": "slope over height, per mm",
}
DRAWN, BATCH = 480, 48


def _real(shelf: Shelf) -> dict[str, list[LineLook]]:
    found: dict[str, list[LineLook]] = {NIH: [], HANNOVER: []}
    for entry, pixels in zip(shelf.entries, shelf.pixels, strict=True):
        if entry.tip is not None:
            look = look_of_line(pixels.numpy().astype(np.float32) / 255.0, entry.tip, shelf.side / 400.0)
            if look is not None:
                found[entry.origin].append(look)
    return found


def _drawn(shelf: Shelf) -> list[LineLook]:
    everyone = torch.arange(len(shelf.entries))
    free = (shelf.of_kind(everyone, "plain", "unmarked") & (shelf.carina_confidence > 0)).nonzero().squeeze(1)
    generator = torch.Generator().manual_seed(3)
    overlays = torch.from_numpy(draw_overlays(2, shelf.side, 1)[0])
    no, yes = torch.zeros(BATCH, dtype=torch.bool), torch.ones(BATCH, dtype=torch.bool)
    looks = []
    for _ in range(DRAWN // BATCH):
        which = free[torch.randint(len(free), (BATCH,), generator=generator)]
        dice = Dice(BATCH, torch.device("cpu"), generator)
        orders = Orders(yes, no, no, no, no)
        drawn, _ = compose(shelf.film(which), shelf.guide[which], shelf.carina[which], overlays, orders, dice)
        for film, tip in zip(drawn.film.numpy(), drawn.tip.tolist(), strict=True):
            look = look_of_line(film, (tip[0], tip[1]), shelf.side / 400.0)
            if look is not None:
                looks.append(look)
    return looks


def main() -> None:
    """Write the plot and print its quartiles."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packed", type=Path, required=True)
    arguments = parser.parse_args()
    torch.set_num_threads(1)
    shelf = Shelf(*unpack(arguments.packed, load().pack.side_px), [], torch.device("cpu"))
    groups = {f"real, {name}": looks for name, looks in _real(shelf).items()} | {"drawn": _drawn(shelf)}
    mpl.use("svg")
    import matplotlib.pyplot as plt

    mpl.rcParams["svg.hashsalt"] = "drawn tubes"
    figure, axes = plt.subplots(1, 3, figsize=(9.0, 3.0), layout="constrained")
    for axis, (field, title) in zip(axes, TITLES.items(), strict=True):
        for name, looks in groups.items():
            values = np.sort([getattr(look, field) for look in looks])
            axis.step(values, np.linspace(0.0, 1.0, len(values)), where="post", label=f"{name} (n {len(values)})")
            print(title, name, len(values), np.round(np.quantile(values, [0.1, 0.25, 0.5, 0.75, 0.9]), 3))
        axis.set_xlabel(title)
        axis.set_xlim(
            0.0, np.quantile(np.concatenate([[getattr(k, field) for k in v] for v in groups.values()]), 0.98)
        )
    axes[0].set_ylabel("share of tubes below")
    axes[0].legend(frameon=False, fontsize=8)
    figure.savefig(OUT, metadata={"Date": None})


if __name__ == "__main__":
    main()
