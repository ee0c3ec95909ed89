"""Read a film.

The network proposes the tip and the carina; what is known beside the film goes in by name. A Reading says where
the tip lies, what to do at the lip, and what to mind.
"""

from pathlib import Path

import lipmark
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

# Nobody's film: any DICOM, PNG, JPEG or TIFF of an upright frontal chest film goes.
out = Path("example")
out.mkdir(exist_ok=True)
recipe = draw_recipe(73, difficulty=0.1, posture=lipmark.NeckPosture.NEUTRAL)
film = write_dicom(make_film(recipe), out / "film.dcm")

reading = lipmark.read(
    film,
    lip_mark_cm=24,
    neck="neutral",
    patient=lipmark.Patient(age_years=58, sex=lipmark.Sex.FEMALE, height_cm=163),
    tube=lipmark.Tube(size_mm=7.5),
)

if reading.distance is not None:
    height = reading.distance.on_film
    print(f"{height.value:.1f} cm ({height.low:.1f} to {height.high:.1f}) above the carina on the film")
print(f"{reading.verdict}: {reading.reason}")
if reading.adjustment is not None:
    move = reading.adjustment
    print(f"{move.action} by {move.by_cm:g} cm ({move.urgency})")
print(*reading.cautions, sep="\n")
