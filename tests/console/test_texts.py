"""Every text of the page is in the catalogue, and translated whole."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest
from babel.messages.extract import extract_javascript
from babel.messages.pofile import read_po
from jinja2.ext import babel_extract

from benchrig import console
from benchrig.console.texts import FALLBACK, FOLDER, LANGUAGES, best_language, dictionary, translations
from benchrig.console.vocabulary import words

PACKAGE = Path(console.__file__).parent


def texts() -> set[str]:
    """What templates and the page's program say, and the words that the rest of the program uses on it."""
    found = set(words())
    for path in (PACKAGE / "templates").iterdir():
        with path.open("rb") as file:
            found |= {str(each[2]) for each in babel_extract(file, ("_",), (), {"silent": "false"}) if each[2]}
    for path in (PACKAGE / "static").glob("*.js"):
        with path.open("rb") as file:
            called = extract_javascript(file, ("t",), (), {"parse_template_string": True})
            found |= {each[2] if isinstance(each[2], str) else each[2][0] for each in called}
    return found


OTHERS = sorted(set(LANGUAGES) - {FALLBACK})


@pytest.mark.parametrize("language", OTHERS)
def test_nothing_is_missing_and_nothing_is_left_over(language: str) -> None:
    wanted = texts()
    assert len(wanted) > 150
    translated = set(dictionary(language))
    assert sorted(wanted - translated) == []
    assert sorted(translated - wanted) == []


@pytest.mark.parametrize("language", OTHERS)
def test_values_stand_in_a_translation_as_in_the_text(language: str) -> None:
    for text, said in dictionary(language).items():
        assert Counter(re.findall(r"%\d|%%", text)) == Counter(re.findall(r"%\d|%%", said)), text


@pytest.mark.parametrize("language", OTHERS)
def test_no_text_is_marked_as_uncertain(language: str) -> None:
    with (FOLDER / f"{language}.po").open("rb") as file:
        catalogue = read_po(file, abort_invalid=True)
    assert [each.id for each in catalogue if each.fuzzy and each.id] == []
    assert translations(language).gettext("Stop") == dictionary(language)["Stop"]


@pytest.mark.parametrize(
    ("accepted", "language"),
    [("de-AT,de;q=0.9", "de"), ("en-GB,de;q=0.9", "en"), ("fr", "en"), ("de;q=nonsense", "de"), (";;,,q=", "en")],
)
def test_the_browser_is_answered_in_its_language(accepted: str, language: str) -> None:
    assert best_language(accepted) == language
