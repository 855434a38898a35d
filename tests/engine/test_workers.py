"""Worker processes: order, errors as results, and a crash that costs exactly one job."""

from __future__ import annotations

import os
import platform
import signal
import sys
import time
from typing import Any

import numpy as np
import pytest
from threadpoolctl import threadpool_info

from simulator.common.errors import AudioError, SimulatorError
from simulator.engine import workers as pool
from simulator.engine.workers import in_order, run


def double(job: int) -> int:
    if job < 0:
        raise AudioError(f"{job}: too small.", "Take a larger one.")
    if job == 13:
        os.kill(os.getpid(), signal.SIGKILL)  # what a crash of a decoder is to the parent
    if job == 99:
        time.sleep(60.0)  # a decoder that never comes back
    return 2 * job


def done(jobs: list[int], workers: int) -> list[int | SimulatorError]:
    return in_order(run(double, jobs, workers, str), len(jobs), lambda: None)


def kernels(_: int) -> tuple[str | None, list[str]]:
    """What the environment asks for, and which kernels the linear-algebra libraries here really use."""
    np.zeros((2, 2)) @ np.zeros((2, 2))
    found = [str(one.get("architecture")) for one in threadpool_info() if one["internal_api"] == "openblas"]
    return os.environ.get("OPENBLAS_CORETYPE"), sorted(set(found))


def test_a_worker_computes_with_the_kernels_that_the_environment_asks_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Figures of workers and of one process are equal bit for bit only with the same kernels: a spawned
    process inherits the environment. Nehalem's run on every x86-64 processor that numpy still supports."""
    if kernels(0)[1] == [] or platform.machine().lower() not in ("x86_64", "amd64"):
        pytest.skip("numpy's linear algebra is not OpenBLAS on x86-64 here")
    monkeypatch.setenv("OPENBLAS_CORETYPE", "Nehalem")
    asked, used = in_order(run(kernels, [1], 1, str), 1, lambda: None)[0]  # type: ignore[misc]
    assert asked == "Nehalem"
    assert used == ["Nehalem"]


@pytest.mark.parametrize("workers", [0, 2])
def test_results_come_in_order_and_errors_are_results(workers: int) -> None:
    found = done([1, -2, 3], workers)
    assert (found[0], found[2]) == (2, 6)
    assert isinstance(found[1], AudioError)
    assert (found[1].message, found[1].hint) == ("-2: too small.", "Take a larger one.")


@pytest.mark.heavy
def test_a_worker_that_dies_costs_the_one_job_that_killed_it() -> None:
    found = done([1, 13, 2, 3], 2)
    assert [found[0], found[2], found[3]] == [2, 4, 6]
    assert isinstance(found[1], AudioError)
    assert found[1].message == "13: the decoder crashed on this file."


@pytest.mark.heavy
def test_after_a_crash_the_others_go_on_together() -> None:
    """At most the four jobs that two workers held then are done one by one."""
    seen: list[int] = []
    real = pool._alone

    def alone(function: Any, job: int, name: str) -> Any:
        seen.append(job)
        return real(function, job, name)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pool, "_alone", alone)
        found = done([13, *range(100, 140)], 2)
    assert isinstance(found[0], AudioError)
    assert found[1:] == [2 * job for job in range(100, 140)]
    assert 13 in seen
    assert len(seen) <= 4


@pytest.mark.heavy
def test_a_worker_that_hangs_is_given_up_and_costs_its_job_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "STALL_SECONDS", 6.0)
    begun = time.monotonic()
    found = done([1, 99, 2], 2)
    assert [found[0], found[2]] == [2, 4]
    assert isinstance(found[1], AudioError)
    assert found[1].message == "99: stopped responding for 0 minutes and was abandoned."
    assert time.monotonic() - begun < 55.0


def lines(job: int) -> int:
    os.write(2, b"a decoder's own line\n")
    print(f"Python's line {job}", file=sys.stderr)
    return job


def test_lines_of_a_decoder_in_a_worker_reach_no_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    """Those of Python do."""
    assert in_order(run(lines, [1, 2], 1, str), 2, lambda: None) == [1, 2]
    assert capfd.readouterr().err == "Python's line 1\nPython's line 2\n"
