"""One bench check as a self-contained HTML page: what was looked at, what was found, what to do."""

from __future__ import annotations

from typing import Any

from benchrig.bench.check_result import CheckItem, CheckResult
from benchrig.bench.traceability import BenchKey, CheckDone
from benchrig.reports.bench_text import allowed_text, sign_of, value_of
from benchrig.reports.formatting import in_print, local_text
from benchrig.reports.template_loading import environment

__all__ = ["check_page_html"]


def check_page_html(check: CheckResult, done: CheckDone, bench: BenchKey) -> str:
    """Make the page of a bench check. A pure function of what the store holds."""
    local = check.ended.astimezone()
    return (
        environment()
        .get_template("check.html")
        .render(
            check=check,
            name=done.name,
            bench=bench,
            passed=check.passed,
            rows=[_row(item) for item in check.items],
            day=f"{local.day} {local:%B %Y}",
            time=f"{local:%H:%M}",
            ended=local_text(check.ended),
            seconds=f"{check.bench_seconds:.0f}",
        )
    )


def _row(item: CheckItem) -> dict[str, Any]:
    return {
        "title": item.title,
        "outcome": item.outcome,
        "sign": sign_of(item),
        "value": value_of(item),
        "allowed": allowed_text(item),
        "why": in_print(item.why),
        "to_do": in_print(item.to_do),
    }
