"""The three traces as pictures: hold, flow, clicks. Each is a pure function of the record."""

from __future__ import annotations

from benchrig.records.model import RunRecord
from benchrig.reports.click_plot import clicks_svg
from benchrig.reports.flow_plot import flow_svg
from benchrig.reports.hold_plot import hold_svg

__all__ = ["clicks_svg", "flow_svg", "hold_svg", "plots"]


def plots(record: RunRecord) -> dict[str, str]:
    """All pictures that the record has traces for, as SVG text, by step name."""
    drawn = {"hold": hold_svg(record), "flow": flow_svg(record), "clicks": clicks_svg(record)}
    return {name: text for name, text in drawn.items() if text is not None}
