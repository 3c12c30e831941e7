"""The picture of an operating characteristic: probability of accepting against the true value over its limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.reports.drawing import INK
from benchrig.reports.figures import WORDS_PT, new_figure, plain_axes, svg_of

__all__ = ["AcceptanceCurve", "operating_characteristic_svg"]

ACCEPTED, REJECTED, OUTSIDE = "#1f6f8b", "#b5532a", "#f3ece6"
WIDE_PT, PANEL_PT, FOOT_PT = 470.0, 150.0, 18.0
ROOM = 0.06


@dataclass(frozen=True)
class AcceptanceCurve:
    """One characteristic; the tuples have one entry a step.

    Attributes
    ----------
    title : str
        Of the characteristic.
    above_is_bad : bool
        Whether the limit is an upper one.
    of_limit : tuple of float
        True value over the limit, the middle of each step.
    accepted, rejected : tuple of float
        Shares of the valves there; what is left was undecided.
    accepted_limits : tuple of (float, float)
        95 % limits of the first.
    """

    title: str
    above_is_bad: bool
    of_limit: tuple[float, ...]
    accepted: tuple[float, ...]
    accepted_limits: tuple[tuple[float, float], ...]
    rejected: tuple[float, ...]


def operating_characteristic_svg(curves: Sequence[AcceptanceCurve]) -> str:
    """Two panels a row, as one SVG element that stands alone."""
    rows = max((len(curves) + 1) // 2, 1)
    height_pt = rows * PANEL_PT + FOOT_PT
    figure = new_figure(WIDE_PT, height_pt)
    for number, curve in enumerate(curves):
        row, column = divmod(number, 2)
        top = 1.0 - row * PANEL_PT / height_pt
        axes = figure.add_axes(
            (0.075 + 0.5 * column, top - 0.82 * PANEL_PT / height_pt, 0.405, 0.66 * PANEL_PT / height_pt)
        )
        plain_axes(axes, title=curve.title, x="true value over its limit", y="share of valves")
        axes.axvspan(*((1.0, 1.4) if curve.above_is_bad else (0.6, 1.0)), color=OUTSIDE, linewidth=0)
        low = [max(share - least, 0.0) for share, (least, _) in zip(curve.accepted, curve.accepted_limits, strict=True)]
        high = [max(most - share, 0.0) for share, (_, most) in zip(curve.accepted, curve.accepted_limits, strict=True)]
        axes.errorbar(
            curve.of_limit, curve.accepted, yerr=[low, high], color=ACCEPTED, marker="o", markersize=3, linewidth=1.1,
            elinewidth=0.7, capsize=1.5, label="accepted, with 95 % limits",
        )  # fmt: skip
        axes.plot(
            curve.of_limit, curve.rejected, color=REJECTED, marker="s", markersize=2.6, linewidth=0.9, linestyle="--",
            label="rejected",
        )  # fmt: skip
        axes.axvline(1.0, color=INK, linewidth=0.8)
        axes.set_xlim(0.7 - ROOM / 2, 1.3 + ROOM / 2)
        axes.set_ylim(-ROOM, 1 + ROOM)
        if number == 0:
            figure.legend(loc="lower center", ncols=2, fontsize=WORDS_PT, frameon=False, bbox_to_anchor=(0.5, 0.0))
    said = "; ".join(each.title for each in curves)
    described = f"Shares of simulated valves accepted and rejected against the true value over its limit: {said}"
    return svg_of(figure, name="operating-characteristic", described=described)
