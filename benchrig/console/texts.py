"""The page's texts in the languages that there are: gettext catalogues, one ``.po`` file each, compiled when loaded.

English texts are their own keys. What the program says elsewhere in a fixed choice of words (verdicts, steps, what to
connect) is translated here too (`vocabulary`); free sentences of the record stay as they were recorded, in English.
"""

from __future__ import annotations

import gettext
from functools import cache
from io import BytesIO
from pathlib import Path

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

__all__ = ["FALLBACK", "LANGUAGES", "best_language", "dictionary", "translations"]

FOLDER = Path(__file__).parent / "locale"
FALLBACK = "en"
LANGUAGES = {"en": "English", "de": "Deutsch"}


@cache
def translations(language: str) -> gettext.NullTranslations:
    """The catalogue of a language, as templates take it."""
    if language == FALLBACK:
        return gettext.NullTranslations()
    compiled = BytesIO()
    with (FOLDER / f"{language}.po").open("rb") as file:
        write_mo(compiled, read_po(file))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


@cache
def dictionary(language: str) -> dict[str, str]:
    """The same as a plain dictionary, for the page's own program."""
    if language == FALLBACK:
        return {}
    with (FOLDER / f"{language}.po").open("rb") as file:
        return {str(each.id): str(each.string) for each in read_po(file) if each.id and each.string}


def best_language(accepted: str) -> str:
    """The first language of an ``Accept-Language`` header that there is.

    Examples
    --------
    >>> best_language("fr-CH, de;q=0.8, en;q=0.5"), best_language("")
    ('de', 'en')
    """
    wanted: list[tuple[float, str]] = []
    for part in accepted.split(","):
        name, _, rest = part.strip().partition(";")
        try:
            quality = float(rest.strip().removeprefix("q=") or 1)
        except ValueError:
            quality = 0.0
        wanted.append((-quality, name.partition("-")[0].lower()))
    return next((name for _, name in sorted(wanted, key=lambda each: each[0]) if name in LANGUAGES), FALLBACK)
