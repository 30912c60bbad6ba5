"""The chance to find a difference against the number of plots, as a picture."""

from __future__ import annotations

import io
from typing import Any

from counting.plan.needed.plants import Need

__all__ = ["needed_picture"]


def needed_picture(need: Need, *, form: str = "svg") -> bytes:
    """Draw the curve of power against plots per group.

    Parameters
    ----------
    need : Need
        What is needed.
    form : str
        The kind of picture: svg, png or pdf.

    Returns
    -------
    bytes
        The picture as a file's content.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    style: Any = {"svg.hashsalt": "plants needed", "font.family": "DejaVu Sans", "font.size": 12}
    style["text.parse_math"] = False  # a measure's name may hold a dollar sign
    with mpl.rc_context(style):
        figure = Figure(figsize=(8, 5.2), layout="constrained", facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        plots = [point["plots_per_group"] for point in need.curve]
        axes.plot(plots, [100 * point["power"] for point in need.curve], color="#1c2621", lw=2.5)
        wanted = 100 * need.aim.power
        axes.axhline(wanted, color="#6b7770", lw=1.2, ls="--")
        axes.plot([need.plots_per_group] * 2, [0, wanted], color="#6b7770", lw=1.2, ls="--")
        axes.plot([need.plots_per_group], [wanted], "o", ms=9, color="#1c2621")
        axes.annotate(
            f"{need.plots_per_group} plots per group",
            (need.plots_per_group, wanted),
            xytext=(12, -22),
            textcoords="offset points",
        )
        unit = "" if need.plants_per_plot == 1 else f" of {need.plants_per_plot} plants"
        axes.set(
            xlabel=f"plots per group{unit}",
            ylabel=f"chance to find {abs(need.aim.difference) * 100:.3g} %, in %",
            ylim=(0, 101),
            xlim=(0, None),
        )
        axes.set_title(need.sentence, loc="left", fontsize=11, wrap=True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(axis="y", color="#dfe4e0", lw=0.8)
        stream = io.BytesIO()
        figure.savefig(
            stream, format=form, dpi=150, metadata={"Date": None} if form == "svg" else None
        )
    return stream.getvalue()
