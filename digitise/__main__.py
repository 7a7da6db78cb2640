"""``python -m digitise`` is the ``digitise`` command."""

from digitise.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
