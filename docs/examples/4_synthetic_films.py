"""Synthetic films with their truth.

Films of nobody whose every point is known: to test a program, to teach, to see where it fails. Dials turn one
thing at a time; the same seed is the same film.
"""

from pathlib import Path

import lipmark
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import Placement, draw_recipe

out = Path("example")
out.mkdir(exist_ok=True)
for placement in (Placement.TRACHEA, Placement.RIGHT_BRONCHUS):
    made = make_film(draw_recipe(4, difficulty=0.2, placement=placement))
    truth = made.truth
    true = truth.landmarks()
    if true.tip is None or true.carina is None or truth.distance_mm is None:
        raise SystemExit("this film has no tube")

    # The network sees the film alone; `write_png` of `synthetic_images.png_out` leaves out the header as well.
    film = lipmark.load_film(write_dicom(made, out / f"{placement}.dcm"))
    found = lipmark.propose(film).landmarks

    print(f"{placement}: tip {truth.distance_mm:.0f} mm above the carina in the patient")
    for name, at, guess in (("tip", true.tip, found.tip), ("carina", true.carina, found.carina)):
        if guess is None:
            print(f"  {name}: not found")
            continue
        apart_px = ((at.row - guess.row) ** 2 + (at.column - guess.column) ** 2) ** 0.5
        print(f"  {name}: {apart_px:.0f} px from the truth, sd {guess.sd_px:.0f} px told")
