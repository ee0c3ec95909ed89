"""Where on the screen a place of the film lies, and the other way round."""

from __future__ import annotations

from dataclasses import dataclass, replace

Place = tuple[float, float]
"""Y and x on the film, in pixels of true shape."""

LEAST_ZOOM, MOST_ZOOM = 0.02, 40.0
"""Screen pixels for one of the film; beyond these nothing is to be seen (ours)."""


@dataclass(frozen=True, slots=True)
class Camera:
    """The middle of a view and its zoom: screen pixels for one of the film.

    Parameters
    ----------
    centre : (float, float)
        Place in the middle of the view.
    zoom : float
        Kept between `LEAST_ZOOM` and `MOST_ZOOM`.
    size : (int, int)
        Width and height of the view in screen pixels.
    """

    centre: Place = (0.0, 0.0)
    zoom: float = 1.0
    size: tuple[int, int] = (1, 1)

    def __post_init__(self) -> None:
        object.__setattr__(self, "zoom", min(max(self.zoom, LEAST_ZOOM), MOST_ZOOM))

    def on_screen(self, place: Place) -> tuple[float, float]:
        """X and y on the screen."""
        width, height = self.size
        return (
            (place[1] - self.centre[1]) * self.zoom + width / 2.0,
            (place[0] - self.centre[0]) * self.zoom + height / 2.0,
        )

    def on_film(self, x: float, y: float) -> Place:
        """The place under a point of the screen."""
        width, height = self.size
        return (
            (y - height / 2.0) / self.zoom + self.centre[0],
            (x - width / 2.0) / self.zoom + self.centre[1],
        )

    def moved(self, right: float, down: float) -> Camera:
        """The film drawn along by so many screen pixels."""
        y, x = self.centre
        return replace(self, centre=(y - down / self.zoom, x - right / self.zoom))

    def closer(self, factor: float, x: float, y: float) -> Camera:
        """Zoomed, while the place under (x, y) of the screen stays there."""
        held = self.on_film(x, y)
        zoomed = replace(self, zoom=self.zoom * factor)
        now = zoomed.on_film(x, y)
        centre = (self.centre[0] + held[0] - now[0], self.centre[1] + held[1] - now[1])
        return replace(zoomed, centre=centre)
