"""``python -m benchrig`` does the same as the ``benchrig`` command."""

from benchrig.cli import main

if __name__ == "__main__":
    main()
