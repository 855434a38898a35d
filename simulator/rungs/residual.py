"""Matched residual of the limited mix against the mix, in one pass.

The match is that of comparison/difference: one least-squares gain on the K-weighted signals (ITU-R BS.1770-5,
channel weights included), here over the whole of the mix, frame on frame, since the limiter keeps every frame
in place. With the K-weighted sums mm (mix · mix), rr (rung · rung) and mr (mix · rung):
    gain       g = mr / rr
    residual   mm − mr² / rr, relative to mm, in LU (ungated)
The sums are those of the mix and of the change d = rung − drive · mix, which is small: float32 does for it.
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
        self,
        sample_rate: int,
        channels: int,
        drive: float = 1.0,
        beside: Callable[[Block, Block], None] | None = None,
    ) -> None:
        """`drive` is the linear gain from which changes are counted."""
        self._beside = beside
        self._channels, self._drive = channels, np.float32(drive)
        self._weights = channel_weights(channels)
        self._filters = [
            (KWeighting(sample_rate, "float32"), KWeighting(sample_rate, "float32")) for _ in self._weights
        ]
        self._waiting: deque[Block] = deque()
        self._mm = self._md = self._dd = 0.0

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
        for index, (weight, (of_mix, of_change)) in enumerate(zip(self._weights, self._filters, strict=True)):
            if not weight:
                continue
            samples = np.ascontiguousarray(before[:, index])
            mix = of_mix.filter(samples)
            change = of_change.filter(after[:, index] - samples * self._drive)
            self._mm += weight * float(np.dot(mix, mix))
            self._md += weight * float(np.dot(mix, change))
            self._dd += weight * float(np.dot(change, change))

    @property
    def residual_lu(self) -> float | None:
        """In LU relative to the mix; None where there is none but rounding, or nothing to relate it to."""
        mm, md, dd, drive = self._mm, self._md, self._dd, float(self._drive)
        rr = drive * drive * mm + 2.0 * drive * md + dd
        if not mm > 0.0 or not rr > ROUNDING * mm:
            return None
        share = (dd - md * (md / mm)) / rr  # 1 − mr² / (mm · rr)
        return 10.0 * math.log10(share) if share > ROUNDING else None
