"""``python -m rungwise`` does what the ``rungwise`` command does."""

from rungwise.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
