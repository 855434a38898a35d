"""Bends examples by rule in this process: `python -m tests.fuzz.bend TARGET… --rounds N --seed S`."""

from __future__ import annotations

import argparse
import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fuzz.targets import TARGETS, run, seeds
from fuzz.test_fuzz_readers import bent


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="+", choices=list(TARGETS))
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    for name in asked.targets:
        for number in range(asked.rounds):
            chance = random.Random(f"{name} {asked.seed} {number}")
            data = bent(chance.choice(seeds(name)), chance)
            if number % 100 == 0:
                print(name, number, flush=True)
            try:
                run(name, data)
            except Exception:
                print(f"\n{name}, round {number}: {data[:400]!r}", file=sys.stderr)
                raise
    return 0


if __name__ == "__main__":
    sys.exit(main())
