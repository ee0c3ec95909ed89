"""Mark in Python.

Points from a program of your own, from a table or from a second reader: rows and columns in pixels of the upright
film. Proposals that a hand does not replace are kept, with their confidence.
"""

from pathlib import Path

import lipmark
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

out = Path("example")
out.mkdir(exist_ok=True)
made = make_film(draw_recipe(4, difficulty=0.3))
film = lipmark.load_film(write_dicom(made, out / "marked.dcm"))

# What the network says, before anything is measured with it.
proposal = lipmark.propose(film)
for name in ("tip", "carina"):
    found = getattr(proposal.landmarks, name)
    print(f"{name}: {'not found' if found is None else f'confidence {found.confidence:.2f}'}")

# Here the true points stand for those of a hand.
true = made.truth.landmarks()
if true.tip is None or true.carina is None:
    raise SystemExit("this film has no tube")
tip, carina = (true.tip.row, true.tip.column), (true.carina.row, true.carina.column)
by_hand = lipmark.read(film, tip=tip, carina=carina, clear=True)
mixed = lipmark.read(film, tip=tip)

for name, reading in (("both by hand", by_hand), ("tip by hand", mixed)):
    distance = reading.distance
    told = "no distance" if distance is None else f"{distance.in_patient.value:.1f} cm in the patient"
    print(f"{name}: {told}, {reading.verdict}")
if made.truth.distance_mm is not None:
    print(f"truth: {made.truth.distance_mm / 10:.1f} cm in the patient")
