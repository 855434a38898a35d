"""Matched residual of the limited mix against the mix, in one pass.

The match is that of comparison/difference: one least-squares gain on the K-weighted signals (ITU-R BS.1770-5,
channel weights included), here over the whole of the mix, frame on frame, since the limiter keeps every frame
in place. With the K-weighted sums mm (mix · mix), rr (rung · rung) and mr (mix · rung):
    gain       g = mr / rr
    residual   mm − mr² / rr, relative to mm, in LU (ungated)
The level of a residual does not rank quality: smooth gain riding leaves more of it than hard clipping.
Conventions: blocks float32 (frames, channels); None where either is silent or nothing differs.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import channel_weights
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import recut

ROUNDING = 1e-13
"""Share of the mix's power below which the float64 sums hold nothing but their own rounding (−130 LU)."""

Block = NDArray[np.float32]


class Residual:
    """Watches a stream before and after its processing; complete once the stream has ended. `beside` sees the
    same segments before and after."""

    def __init__(
        self, sample_rate: int, channels: int, beside: Callable[[Block, Block], None] | None = None
    ) -> None:
        self._beside = beside
        self._channels = channels
        self._weights = channel_weights(channels)
        self._filters = [(KWeighting(sample_rate), KWeighting(sample_rate)) for _ in self._weights]
        self._waiting: deque[Block] = deque()
        self._mm = self._rr = self._mr = 0.0

    def around(
        self, blocks: Iterable[NDArray[np.floating]], process: Callable[[Iterator[Block]], Iterable[Block]]
    ) -> Iterator[Block]:
        """What `process` makes of the blocks, in whole segments; it must give every frame back in place."""
        for after in recut(process(self._keep(blocks)), self._channels):
            before = self._waiting.popleft()
            self._add(before, after)
            if self._beside is not None:
                self._beside(before, after)
            yield after

    def _keep(self, blocks: Iterable[NDArray[np.floating]]) -> Iterator[Block]:
        for block in recut(blocks, self._channels):
            self._waiting.append(block)
            yield block

    def _add(self, before: Block, after: Block) -> None:
        for index, (weight, (of_mix, of_rung)) in enumerate(zip(self._weights, self._filters, strict=True)):
            if not weight:
                continue
            mix = of_mix.filter(np.ascontiguousarray(before[:, index]))
            rung = of_rung.filter(np.ascontiguousarray(after[:, index]))
            self._mm += weight * float(np.dot(mix, mix))
            self._rr += weight * float(np.dot(rung, rung))
            self._mr += weight * float(np.dot(mix, rung))

    @property
    def residual_lu(self) -> float | None:
        """In LU relative to the mix; None where there is none but rounding, or nothing to relate it to."""
        if not self._mm > 0.0 or not self._rr > 0.0:
            return None
        share = 1.0 - (self._mr / self._mm) * (self._mr / self._rr)
        return 10.0 * math.log10(share) if share > ROUNDING else None
