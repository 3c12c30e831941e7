"""The page's templates, with their texts in a language."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from benchrig.application.operator_words import CAUTION
from benchrig.console.texts import LANGUAGES, translations

__all__ = ["page"]


@cache
def _environment(language: str) -> Environment:
    made = Environment(
        loader=PackageLoader("benchrig.console"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    made.install_gettext_translations(translations(language), newstyle=True)  # type: ignore[attr-defined]
    return made


def page(name: str, language: str, **shown: Any) -> str:
    """Fill a template."""
    return (
        _environment(language)
        .get_template(name)
        .render(language=language, languages=LANGUAGES, caution=CAUTION, **shown)
    )
