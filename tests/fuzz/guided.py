"""Looks for inputs that take new paths: `python -m tests.fuzz.guided TARGET… --seconds N`; options: `--help`.

Needs atheris (Apache-2.0; the extra `fuzz`), which follows the coverage of the readers' Python code. Begins
at the valid examples; what takes a new path goes into the corpus folder, what breaks a reader into a file
whose name libFuzzer tells. Each of several targets has a fork of its own, so that the readers are
instrumented once; the exit code is that of the first that broke.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

with atheris.instrument_imports(include=["simulator", "tomllib", "defusedxml"]):
    from fuzz.targets import ODD, TARGETS, run, seeds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="+", choices=list(TARGETS), metavar="TARGET")
    parser.add_argument("--seconds", type=int, default=600, help="for each target")
    parser.add_argument("--seed", type=int, default=0, help="0: another way in every run")
    parser.add_argument("--corpus", type=Path, help="a folder in it for each target")
    asked = parser.parse_args()
    for target in asked.targets:
        print(f"-- {target}", file=sys.stderr, flush=True)
        child = os.fork()
        if not child:
            look(target, asked)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if code:
            sys.exit(code)


def look(target: str, asked: argparse.Namespace) -> None:
    """libFuzzer ends the process."""
    words = [f"-max_total_time={asked.seconds}", "-timeout=20", "-rss_limit_mb=2000", "-max_len=20000"]
    words.append(f"-seed={asked.seed}")
    if asked.corpus is not None:
        corpus = asked.corpus / target
        corpus.mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds(target)):
            (corpus / f"seed-{number}").write_bytes(seed)
        words = [str(corpus), f"-artifact_prefix={corpus}/broken-", *words]
    with tempfile.NamedTemporaryFile("w", suffix=".dict") as dictionary:
        dictionary.writelines('"' + "".join(rf"\x{byte:02x}" for byte in word[:60]) + '"\n' for word in ODD)
        dictionary.flush()
        words.append(f"-dict={dictionary.name}")
        atheris.Setup([sys.argv[0], *words], lambda data: run(target, data))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
