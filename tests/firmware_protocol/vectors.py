"""The golden vectors, for the tests that run here."""

import json
from pathlib import Path

VECTORS = json.loads((Path(__file__).parents[2] / "fixtures" / "protocol_vectors.json").read_text(encoding="utf-8"))


def named(vectors, *keys):
    """Ids for parametrised tests: the words of the vectors."""
    return [" ".join(str(vector[key]) for key in (*keys, "why")) for vector in vectors]
