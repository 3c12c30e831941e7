"""The three traces as pictures: hold, flow, clicks. Each is a pure function of the record."""

from __future__ import annotations

from benchrig.records.model import RunRecord
from benchrig.reports.click_plot import HEIGHT_PT as CLICKS_HEIGHT_PT
from benchrig.reports.click_plot import clicks_svg
from benchrig.reports.flow_plot import flow_svg
from benchrig.reports.hold_plot import HEIGHT_PT as HALF_HEIGHT_PT
from benchrig.reports.hold_plot import hold_svg

__all__ = ["CLICKS_HEIGHT_PT", "HALF_HEIGHT_PT", "clicks_svg", "flow_svg", "hold_svg", "plots"]


def plots(record: RunRecord, *, lower_pt: float = 0.0) -> dict[str, str]:
    """All pictures that the record has traces for, as SVG text, by step name; each lower by so many points."""
    drawn = {
        "hold": hold_svg(record, HALF_HEIGHT_PT - lower_pt),
        "flow": flow_svg(record, HALF_HEIGHT_PT - lower_pt),
        "clicks": clicks_svg(record, CLICKS_HEIGHT_PT - lower_pt),
    }
    return {name: text for name, text in drawn.items() if text is not None}
