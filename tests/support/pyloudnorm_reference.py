"""What does pyloudnorm read, once it filters as the standard says?

Its default weighting is not the standard's table (0 dBFS at 997 Hz in one channel reads −3.052 instead of
−3.01). Its class "DeMan" is, at 48 kHz; at other rates that class leaves the high-pass numerator at
(1, −2, 1), which moves the pass band (0.005 dB at 44.1 kHz), so the numerator is scaled here to the
pass-band gain that it has at 48 kHz. Its meter rounds the number of blocks where ITU-R BS.1770-5 drops
the incomplete one, so the samples are cut to whole 100 ms steps first.
"""

from __future__ import annotations

import math

import numpy as np
import pyloudnorm
from numpy.typing import NDArray

HIGH_PASS = "high_pass_DeMan"


def integrated_lufs(samples: NDArray[np.floating], sample_rate: int) -> float | None:
    """Integrated loudness of (frames,) or (frames, up to 5 channels); None where it says −inf."""
    meter = pyloudnorm.Meter(sample_rate, filter_class="DeMan")
    stage = meter._filters[HIGH_PASS]
    stage.passband_gain = _pass_band(48_000) / _pass_band(sample_rate)
    step = sample_rate // 10
    whole = samples[: samples.shape[0] // step * step].astype(np.float64)
    loudness = float(meter.integrated_loudness(whole))
    return loudness if math.isfinite(loudness) else None


def _pass_band(sample_rate: int) -> float:
    """Gain at half the sampling rate of its high-pass: (1 + 2 + 1)/(1 − a1 + a2)."""
    _, a = pyloudnorm.Meter(sample_rate, filter_class="DeMan")._filters[HIGH_PASS].generate_coefficients()
    return 4.0 / float(a[0] - a[1] + a[2])
