"""A player that is not the deck: one process, one callback that only copies, and a stall on request. It shows
whether the rig sees faults and whether the machine itself can play.

python -m support.plain_player RAW_FILE SECONDS [STALL_AT STALL_SECONDS]   (prints how many underflow flags)
"""

from __future__ import annotations

import gc
import os
import sys
import time
from pathlib import Path
from typing import Any

from support.sound_server import DEVICE, RATE, read_raw


def main(arguments: list[str]) -> int:
    import sounddevice as sd

    source = read_raw(Path(arguments[0]))
    seconds = float(arguments[1])
    stall_at, stall_s = (float(one) for one in arguments[2:4]) if len(arguments) > 2 else (1e9, 0.0)
    state = {"at": 0, "flags": 0, "stalled": 0}

    def callback(out: Any, frames: int, times: Any, status: Any) -> None:  # noqa: ARG001
        state["flags"] += bool(status.output_underflow)
        first = state["at"]
        if first >= stall_at * RATE and not state["stalled"]:
            state["stalled"] = 1
            time.sleep(stall_s)
        out[:] = source[first : first + frames]
        state["at"] += frames

    gc.disable()
    with sd.OutputStream(
        samplerate=RATE,
        blocksize=512,
        device=DEVICE,
        channels=2,
        dtype="float32",
        latency=0.05,
        callback=callback,
    ):
        time.sleep(seconds)
        gone = os.dup(2)  # what the device prints while it ends is no news
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    os.dup2(gone, 2)
    print(state["flags"])
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
