"""`python -m simulator` is `fairhearing`.

Python puts the current folder first among the places that it imports from. It is taken out again, unless the
program itself is there: a folder of songs may hold a `simulator/` or a `click.py` of its own.
"""

import os
import sys

import simulator

OWN = os.path.dirname(os.path.realpath(__file__))


def _only_own_modules() -> None:
    """Ends with exit code 2 where `simulator` is another package than the one that is being run."""
    found = os.path.realpath(getattr(simulator, "__file__", None) or "")
    if os.path.dirname(found) != OWN:
        other = os.path.dirname(found) or "a folder"
        print(
            f"Another package called simulator is in the way: {other} is imported in place of {OWN}.\n"
            "  Type fairhearing instead, or start from another folder and without PYTHONPATH.",
            file=sys.stderr,
        )
        sys.exit(2)
    first = os.path.realpath(sys.path[0] or os.curdir) if sys.path else ""
    if first in (OWN, os.path.realpath(os.curdir)) and first != os.path.dirname(OWN):
        del sys.path[0]


if __name__ == "__main__":
    _only_own_modules()
    from simulator.cli.app import main

    main()
