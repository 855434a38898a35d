"""The deck's callback and stream into a named device, at a chosen pace, in a process of its own (PortAudio
reads its environment once).

python -m support.deck_into_device RAW_FILE RATE DEVICE
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from support.deck_lanes import Audio, Hand, HeldLanes, order
from support.sound_server import read_raw

from simulator.deck.callback import LaneStretch
from simulator.deck.interface import OutputChoice
from simulator.deck.stream import DeviceStream, Fill

TIMES_REAL_TIME = 20.0
"""An endless stream into a file that takes everything at once would fill the disk."""


def main(arguments: list[str]) -> int:
    source, rate = read_raw(Path(arguments[0])), int(arguments[1])
    played = Hand(HeldLanes({1: source}), rate)
    played.callback.asked = order(LaneStretch(1, 0, None))

    def paced(_: int) -> Fill:
        def fill(out: Audio, underflow: bool) -> None:
            time.sleep(out.shape[0] / rate / TIMES_REAL_TIME)
            played.callback.fill(out, underflow)

        return fill

    stream = DeviceStream(OutputChoice(arguments[2], rate), paced)
    while not played.cells.read().ended:
        time.sleep(0.01)
    time.sleep(2.0 * stream.latency_s / TIMES_REAL_TIME)
    stream.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
