"""Constants of a bench from references: pure arithmetic, each with its budget (JCGM 100)."""
