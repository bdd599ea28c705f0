"""Lets ``python -m surpluscharge`` stand for the ``surpluscharge`` command."""

from surpluscharge.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
