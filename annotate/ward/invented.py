"""Invented films that arrive by DICOM, to show and to try the service."""

from __future__ import annotations

import threading
from itertools import count

from annotate.messages import LOG

SECONDS_BETWEEN = 60.0
PATIENTS = 4
"""Beds of the invented unit: the fifth film is the first patient's second."""


class InventedFilms:
    """Sends a film at once and then one a minute, until the program ends.

    Parameters
    ----------
    host, port, ae_title
        Whom to send to.
    """

    def __init__(self, host: str, port: int, ae_title: str) -> None:
        self._to = (host, port, ae_title)
        self._thread = threading.Thread(target=self._send_all, name="invented films", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def _send_all(self) -> None:
        pause = threading.Event()
        for number in count():
            self._send(number)
            pause.wait(SECONDS_BETWEEN)

    def _send(self, number: int) -> None:
        from pynetdicom import AE

        from synthetic_images.dicom_out import to_dataset
        from synthetic_images.film import make_film
        from synthetic_images.recipe import draw_recipe

        dataset = to_dataset(make_film(draw_recipe(number, difficulty=0.15)))
        bed = number % PATIENTS + 1
        dataset.PatientName, dataset.PatientID = f"Unit^Bed {bed:02d}", f"BED{bed:02d}"
        dataset.set_original_encoding(is_implicit_vr=False, is_little_endian=True)  # As the file meta says.
        host, port, title = self._to
        sender = AE(ae_title="INVENTED")
        sender.add_requested_context(dataset.SOPClassUID, dataset.file_meta.TransferSyntaxUID)
        association = sender.associate(host, port, ae_title=title)
        if not association.is_established:
            LOG.warning("ward: the invented films' sender is not let in; allow it with --peer INVENTED")
            return
        association.send_c_store(dataset)
        association.release()
