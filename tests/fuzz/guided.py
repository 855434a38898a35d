"""Looks for inputs that take new paths: `python -m tests.fuzz.guided TARGET --seconds N`; options: `--help`.

Needs atheris (Apache-2.0; the extra `fuzz`), which follows the coverage of the readers' Python code. Begins
at the valid examples; what takes a new path goes into the corpus folder, what breaks a reader into a file
whose name libFuzzer tells.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

with atheris.instrument_imports(include=["simulator", "tomllib", "defusedxml"]):
    from fuzz.targets import ODD, TARGETS, run, seeds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=list(TARGETS))
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--seed", type=int, default=0, help="0: another way in every run")
    parser.add_argument("--corpus", type=Path)
    asked = parser.parse_args()
    words = [f"-max_total_time={asked.seconds}", "-timeout=20", "-rss_limit_mb=2000", "-max_len=20000"]
    words.append(f"-seed={asked.seed}")
    if asked.corpus is not None:
        asked.corpus.mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds(asked.target)):
            (asked.corpus / f"seed-{number}").write_bytes(seed)
        words = [str(asked.corpus), f"-artifact_prefix={asked.corpus}/broken-", *words]
    with tempfile.NamedTemporaryFile("w", suffix=".dict") as dictionary:
        dictionary.writelines('"' + "".join(rf"\x{byte:02x}" for byte in word[:60]) + '"\n' for word in ODD)
        dictionary.flush()
        words.append(f"-dict={dictionary.name}")
        atheris.Setup([sys.argv[0], *words], lambda data: run(asked.target, data))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
