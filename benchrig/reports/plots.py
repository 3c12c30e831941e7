"""The traces as pictures, in one table: hold, flow, clicks. Each is a pure function of the record.

To add one: its drawing in a module of its own and a line in `PICTURES`. Page and sheets take it from here.
"""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from benchrig.records.run_record import RunRecord
from benchrig.reports import click_plot, hold_plot
from benchrig.reports.click_plot import clicks_svg
from benchrig.reports.flow_plot import flow_svg
from benchrig.reports.hold_plot import hold_svg

__all__ = ["PICTURES", "Picture", "clicks_svg", "flow_svg", "hold_svg", "plots", "rows_of_pictures"]


@dataclass(frozen=True)
class Picture:
    """The picture of one step.

    Attributes
    ----------
    step : str
        Name of the step whose traces it shows.
    title, says : str
        What stands above it.
    height_pt : float
        Of the drawing, where the sheet has room enough.
    caption_pt : float
        Height of what stands above it and of the gap below.
    wide : bool
        Across the sheet; otherwise two stand side by side.
    draw : callable
        Record and height in points to SVG; None where there is nothing to show.
    """

    step: str
    title: str
    says: str
    height_pt: float
    caption_pt: float
    wide: bool
    draw: Callable[[RunRecord, float], str | None]


PICTURES: tuple[Picture, ...] = (
    Picture(
        "hold",
        "Hold vacuum",
        "Behind the closed valve. It sags a little as the air warms up; a leak keeps it falling.",
        hold_plot.HEIGHT_PT,
        30.0,
        False,
        hold_svg,
    ),
    Picture(
        "flow",
        "Open flow",
        "The valve was opened onto the vacuum. The steeper the fall, the freer the flow.",
        hold_plot.HEIGHT_PT,
        30.0,
        False,
        flow_svg,
    ),
    Picture(
        "clicks",
        "Clicks",
        "Coil current of every click, laid over each other. The dip is the armature arriving; the bump, its return.",
        click_plot.HEIGHT_PT,
        22.0,
        True,
        clicks_svg,
    ),
)


def plots(record: RunRecord, *, lower_pt: float = 0.0) -> dict[str, str]:
    """All pictures that the record has traces for, as SVG text, by step name; each lower by so many points."""
    drawn = {each.step: each.draw(record, each.height_pt - lower_pt) for each in PICTURES}
    return {name: text for name, text in drawn.items() if text is not None}


def rows_of_pictures(steps: AbstractSet[str]) -> tuple[float, ...]:
    """Height in points of each row that the pictures of these steps take, with what stands above them.

    Examples
    --------
    >>> len(rows_of_pictures({"hold", "flow", "clicks"})), len(rows_of_pictures({"hold"})), rows_of_pictures(set())
    (2, 1, ())
    """
    rows: list[float] = []
    beside = False
    for each in PICTURES:
        if each.step not in steps:
            continue
        tall_pt = each.height_pt + each.caption_pt
        if beside and not each.wide:
            rows[-1] = max(rows[-1], tall_pt)
        else:
            rows.append(tall_pt)
        beside = not each.wide and not beside
    return tuple(rows)
