"""What the page shows of a run that has ended: its verdict large, why, what to do, and the values below."""

from __future__ import annotations

from typing import Any

from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import in_print, rows, value_text, verdict_words
from benchrig.reports.page_text import PRACTICE_ONLY
from benchrig.reports.plain_words import DISPOSITIONS, cause_sentence, plain_sentence
from benchrig.verdict.judgement import sure_text

__all__ = ["run_view"]


def run_view(record: RunRecord) -> dict[str, Any]:
    """A run as the page takes it; its words are those of the printed page."""
    judgement, words = record.judgement, verdict_words(record)
    measured = {each.name: each for each in record.characteristics}
    return {
        "run": record.run,
        "tag": record.intake.tag,
        "model": record.intake.model,
        "reason": record.intake.reason,
        "ending": record.ending,
        "key": words.key,
        "word": words.word,
        "why": words.says,
        "sentence": plain_sentence(record),
        "cause": "" if judgement is None or judgement.verdict == "accept" else judgement.cause or "",
        "sure": sure_text(judgement.cause_probability) if judgement and judgement.cause_probability else "",
        "cause_says": cause_sentence(record),
        "to_do": "" if judgement is None else DISPOSITIONS.get(judgement.disposition, judgement.disposition),
        "to_do_why": "" if judgement is None else in_print(judgement.disposition_why),
        "hint": record.hint,
        "bench_state": record.bench_state,
        "seconds": record.bench_seconds,
        "simulated": record.bench.simulated,
        "practice": PRACTICE_ONLY if record.model.general_practice else "",
        "uncalibrated": list(record.bench.uncalibrated),
        "rows": [
            {
                "title": row.title,
                "value": value_text(measured.get(row.name)),
                "unit": row.unit,
                "limit": row.limit if row.allowed else "",
                "outcome": row.outcome,
                "sign": row.sign,
                "remark": row.why,
            }
            for row in rows(record)
        ],
        "notes": [in_print(note) for note in record.notes],
    }
