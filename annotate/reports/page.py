"""A report as one HTML page that needs nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version

from annotate.drawing.charts import STYLE


def page(room: str, values: Mapping[str, object]) -> str:
    """Fill a room's `templates/report.html`, which extends `base.html` of this room.

    Parameters
    ----------
    room : str
        Package whose template it is, for instance "annotate.audit".
    values : mapping
        What the template names; the frame wants `title` and `cautions`. A name that is missing is an error.

    Returns
    -------
    str
        The page; everything but the charts' SVG is escaped.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=ChoiceLoader([PackageLoader(room), PackageLoader(__package__)]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template("report.html")
    return template.render(values, chart_style=Markup(STYLE), version=version("lipmark"))
