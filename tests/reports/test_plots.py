"""The pictures show the traces, the found instants and the limits."""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from benchrig.analysis.results import Curve, Trace
from benchrig.records import RunRecord
from benchrig.reports import drawing
from benchrig.reports import plots as plots_module
from benchrig.reports.flow_plot import free_place, slowest_line
from benchrig.reports.hold_plot import allowed_line, frame
from benchrig.reports.page_layout import MOST_LOWER_PT
from benchrig.reports.plots import PICTURES, clicks_svg, flow_svg, hold_svg, plots
from benchrig.sequencer.sequence import STEPS
from tests.reports.sample_record import AMBIENT_PA, KINDS, sample, without_step


def with_trace(record: RunRecord, step: str, *traces: Trace) -> RunRecord:
    return with_step(record, step, traces=traces)


def with_step(record: RunRecord, step: str, **changes: object) -> RunRecord:
    steps = tuple(dataclasses.replace(each, **changes) if each.name == step else each for each in record.steps)
    return dataclasses.replace(record, steps=steps)


@pytest.mark.parametrize("kind", KINDS)
def test_pictures_are_well_formed_and_the_same_every_time(kind: str) -> None:
    drawn = plots(sample(kind))
    assert set(drawn) == ({"hold"} if kind == "aborted" else {"hold", "flow", "clicks"})
    for text in drawn.values():
        assert ElementTree.fromstring(text).get("role") == "img"
    assert plots(sample(kind)) == drawn


def test_every_step_that_records_has_its_picture_and_every_picture_its_step() -> None:
    assert [each.step for each in PICTURES] == [step.name for step in STEPS if step.records is not None]


def test_two_that_stand_side_by_side_take_one_row_and_a_third_begins_another(monkeypatch: pytest.MonkeyPatch) -> None:
    half, wide = PICTURES[0], PICTURES[2]
    monkeypatch.setattr(
        plots_module, "PICTURES", (half, dataclasses.replace(half, step="b"), dataclasses.replace(half, step="c"), wide)
    )
    assert len(plots_module.rows_of_pictures({"hold", "b", "c", "clicks"})) == 3


def test_another_record_makes_another_picture() -> None:
    assert hold_svg(sample("accept")) != hold_svg(sample("undecided"))


def test_pictures_stay_small() -> None:
    drawn = plots(sample("accept"))
    assert {name: len(text) < 130_000 for name, text in drawn.items()} == dict.fromkeys(drawn, True)


def test_no_picture_without_a_trace() -> None:
    assert hold_svg(without_step(sample("accept"), "hold")) is None
    assert flow_svg(without_step(sample("accept"), "flow")) is None
    assert clicks_svg(without_step(sample("accept"), "clicks")) is None
    empty = Trace("hold", np.empty(0), {"pressure_pa": np.empty(0)})
    assert hold_svg(with_trace(sample("accept"), "hold", empty)) is None


def leaking(leak_sccm: float | None) -> RunRecord:
    """The accepted run, with another leak or none found."""
    record = sample("accept")
    row = next(row for row in record.characteristics if row.name == "hold_leak_sccm")
    return with_step(record, "hold", characteristics=(dataclasses.replace(row, value=leak_sccm),))


@pytest.mark.parametrize(("leak_sccm", "above"), [(0.3, False), (4.9, False), (5.1, True), (40.0, True)])
def test_a_valve_within_its_limit_stays_above_the_line_at_the_limit_from_the_first_second_on(
    leak_sccm: float, above: bool
) -> None:
    record = leaking(leak_sccm)
    trace = record.traces("hold")[0]
    fit = trace.curves[0][1]
    allowed = allowed_line(record, trace, AMBIENT_PA)
    assert allowed is not None
    at_s, level_kpa, _ = allowed
    fit_kpa = (AMBIENT_PA - np.interp(at_s, fit.time_s, fit.values)) / 1000
    late = at_s > at_s[0] + 1.0
    assert ((level_kpa > fit_kpa)[late] == above).all()
    # By hand: 1 cm3/min counted at 273.15 K and 101.325 kPa, in 500 cm3 at 295.25 K:
    # 1 / 60 / 500 * 101325 * 295.25 / 273.15 = 3.651 Pa/s.
    rate = (fit_kpa[-1] - level_kpa[-1]) * 1000 / (at_s[-1] - at_s[0])
    assert rate == pytest.approx(3.651 * (5.0 - leak_sccm), rel=1e-3, abs=1e-3)


def test_where_no_leak_was_found_the_line_at_the_limit_is_straight_and_rises_as_the_limit_says() -> None:
    record = leaking(None)
    allowed = allowed_line(record, record.traces("hold")[0], AMBIENT_PA)
    assert allowed is not None
    (start_s, end_s), (start_kpa, end_kpa), _ = allowed
    # By hand: 5 + 0.15 cm3/min counted at 273.15 K and 101.325 kPa, in 500 cm3 at 295.25 K:
    # 5.15 / 60 / 500 * 101325 * 295.25 / 273.15 = 18.80 Pa/s.
    assert (start_kpa - end_kpa) * 1000 / (end_s - start_s) == pytest.approx(18.80, abs=0.01)
    assert start_s == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("fill", "where"), [("quick", (1, 0)), ("slow", (1, 1)), ("none", (1, 1))], ids=["quick", "slow", "none"]
)
def test_the_first_moments_are_enlarged_where_they_cover_no_line(fill: str, where: tuple[int, int]) -> None:
    drawn = drawing.Drawing(256.0, 152.0, "a fill")
    axes = drawn.axes(frame(152.0), (0.0, 1.0), (-1.0, 62.0), x_label="seconds", y_label="vacuum, kPa")
    time_s = np.linspace(0.0, 1.0, 200)
    vacuum_kpa = {"quick": 58 * np.exp(-5 * time_s), "slow": 58 - 12 * time_s, "none": 58 + 0 * time_s}[fill]
    left, top, width, height = free_place(axes, [(time_s, vacuum_kpa), (time_s, np.full(200, 30.0))], 152.0)
    at = (int(left + width / 2 > 142), int(top + height / 2 > 68))
    x, y = axes.place_of(time_s, vacuum_kpa)
    assert not ((x > left) & (x < left + width) & (y > top) & (y < top + height)).any()
    assert at == where or fill == "none"


def test_the_slowest_fill_allowed_is_stretched_by_flow_over_limit() -> None:
    record = sample("accept")
    trace = record.traces("flow")[0]
    fit = (trace.curves[0][1].time_s, trace.curves[0][1].values)
    slowest = slowest_line(record, trace, fit)
    assert slowest is not None
    opened_s = trace.marks["opened"]
    assert (slowest[0][-1] - opened_s) / (fit[0][-1] - opened_s) == pytest.approx(23.1 / 18.0)


def test_a_trace_without_limits_fit_or_marks_is_drawn_all_the_same() -> None:
    record = sample("accept")
    bare = dataclasses.replace(record, model=dataclasses.replace(record.model, limits=()))
    for step in ("hold", "flow", "clicks"):
        stripped = tuple(dataclasses.replace(trace, curves=(), marks={}) for trace in record.traces(step))
        bare = with_trace(bare, step, *stripped)
    assert set(plots(bare)) == {"hold", "flow", "clicks"}


@pytest.mark.parametrize(
    "values",
    [np.full(50, AMBIENT_PA), np.linspace(0.0, 2e5, 50), np.where(np.arange(50) % 7 == 3, np.nan, 5e4)],
    ids=["flat", "steep", "with gaps"],
)
def test_odd_samples_are_drawn_without_complaint(values: np.ndarray) -> None:
    trace = Trace("hold", np.linspace(-0.1, 30.0, 50), {"pressure_pa": values})
    fit = Curve("fit", trace.time_s, values)
    record = with_trace(sample("accept"), "hold", dataclasses.replace(trace, curves=(("pressure_pa", fit),)))
    record = with_trace(record, "flow", dataclasses.replace(trace, name="flow", marks={"opened": 0.02}))
    drawn = plots(record)
    assert {"hold", "flow"} <= set(drawn)
    assert all(ElementTree.fromstring(text) is not None for text in drawn.values())


@pytest.mark.slow
def test_reports_can_be_imported_without_the_heavy_parts() -> None:
    program = (
        "import sys, benchrig.reports, benchrig.reports.run_terminal; "
        "print(sorted({'matplotlib', 'scipy', 'jinja2', 'segno', 'alembic'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2]
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("kind", KINDS)
def test_what_the_lines_mean_stands_above_the_frame_where_no_line_runs(kind: str) -> None:
    for name, text in plots(sample(kind)).items():
        for word in ("measured", "fit"):
            for y in re.findall(rf'<text x="[^"]*" y="([^"]*)"[^>]*>{word}</text>', text):
                assert float(y) < 0, (name, word)


def test_the_limit_of_a_coil_that_draws_no_current_is_written_clear_of_the_trace() -> None:
    record = sample("reject")
    still = tuple(
        dataclasses.replace(trace, columns={"current_a": np.zeros(len(trace.time_s))})
        for trace in record.traces("clicks")
    )
    text = clicks_svg(with_trace(record, "clicks", *still))
    assert text is not None
    height = float(re.findall(r'<svg width="[^"]*" height="([^"]*)"', text)[0])
    limits = [float(y) for y in re.findall(r'y="([^"]*)"[^>]*>limit ', text)]
    assert limits
    assert all(y < 0.3 * height for y in limits)  # the trace lies along the bottom


def boxes(svg: str) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Each word of a picture with where it stands: left, top, right, bottom in points of the picture."""
    found = []

    def walk(node: ElementTree.Element, x: float, y: float, turned: bool) -> None:
        move = re.search(r"translate\(([-\d.]+) ([-\d.]+)\)", node.get("transform", ""))
        if move:
            x, y = x + float(move[1]), y + float(move[2])
        turned = turned or "rotate" in node.get("transform", "")
        if node.tag.endswith("text"):
            tall = float(node.get("font-size", drawing.WORDS_PT))
            long = drawing.WIDE_EM * tall * len(node.text or "")
            before = {"start": 0.0, "middle": 0.5, "end": 1.0}[node.get("text-anchor", "start")] * long
            at_x, at_y = float(node.get("x", 0)), float(node.get("y", 0))
            box = (x + at_x - before, y + at_y - 0.72 * tall, x + at_x - before + long, y + at_y + 0.2 * tall)
            if turned:
                box = (x - 0.72 * tall, y - long + before, x + 0.2 * tall, y + before)
            found.append((node.text or "", box))
        for child in node:
            walk(child, x, y, turned)

    walk(ElementTree.fromstring(svg), 0.0, 0.0, False)
    return found


@pytest.mark.parametrize("lower_pt", [0.0, 30.0, MOST_LOWER_PT])
@pytest.mark.parametrize("kind", KINDS)
def test_words_neither_overlap_nor_leave_the_picture_however_low_it_is(kind: str, lower_pt: float) -> None:
    record = sample(kind)
    clicks = record.traces("clicks")
    if clicks:  # one click in which the return was not seen makes the words longest
        marks = {name: at for name, at in clicks[0].marks.items() if name != "drop-out"}
        record = with_trace(record, "clicks", dataclasses.replace(clicks[0], marks=marks), *clicks[1:])
    for name, svg in plots(record, lower_pt=lower_pt).items():
        words = boxes(svg)
        marked = [box for said, box in words if said.startswith(("pull-in", "drop-out"))]
        limits = [box for said, box in words if said.startswith("limit")]
        assert all(limit[1] >= mark[3] for limit in limits for mark in marked), name  # wherever along the line they are
        for number, (said, box) in enumerate(words):
            assert box[1] >= -1.0, (name, said)
            for other, beside in words[:number]:
                apart = box[2] <= beside[0] or beside[2] <= box[0] or box[3] <= beside[1] or beside[3] <= box[1]
                assert apart, (name, said, other)
