"""Devices there are now, asked in a process of its own, because PortAudio's list stays as it was when it
started.
"""

from __future__ import annotations

import os
from multiprocessing.connection import Connection
from typing import Any

from simulator.deck.program import DeviceView
from simulator.deck.stream import NoSound, outputs
from simulator.deck.stream_process import quiet_process
from simulator.engine.signals import children_deaf
from simulator.storage.process_life import end_with_parent

LIMIT_SECONDS = 6.0
HANGS = "The sound system does not answer."


def run(pipe: Connection, log: str) -> None:
    """Sends the list of devices, or the reason why there is none."""
    quiet_process(log)
    end_with_parent()
    answer: list[DeviceView] | str
    try:
        answer = [device for _, device in outputs()]
    except NoSound as problem:
        answer = str(problem)
    pipe.send(answer)
    os._exit(0)


def list_devices(context: Any, log: str) -> list[DeviceView]:
    """The output devices. Raises NoSound."""
    pipe, theirs = context.Pipe()
    process = context.Process(target=run, args=(theirs, log), daemon=True)
    with children_deaf():
        process.start()
    theirs.close()
    answer: list[DeviceView] | str = HANGS
    try:
        if pipe.poll(LIMIT_SECONDS):
            answer = pipe.recv()
    except (EOFError, OSError):
        pass
    finally:
        process.kill()  # it has nothing left to do, or hangs
        process.join()
        pipe.close()
    if isinstance(answer, str):
        raise NoSound(answer)
    return answer
