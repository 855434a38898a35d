"""Room: early reflections and a tail that decays, different left and right.

The impulse response is made, not recorded: a dozen single echoes a side, then Gaussian noise whose
low, middle and high bands decay at their own speed (air and walls take the high ones first). The
convolution is by overlap-add, a few long FFTs a channel.

Conventions: planar stereo (2, frames) float32; the response has energy 1 a channel, so that the
send's level is the level of the room; the room does not sound below 150 Hz.
"""

from __future__ import annotations

import numpy as np

from simulator.demo.modal import LN_1000, Samples, Values
from simulator.demo.score import Room

BLOCK = 1 << 18
ECHOES = 12


def impulse_response(room: Room, sample_rate: int, seed: int) -> Samples:
    """The room's answer to a click, (2, frames); about 1.1 decays long."""
    rng = np.random.default_rng([seed, 17])
    frames = min(int(1.1 * room.decay_s * sample_rate), BLOCK // 2)
    seconds = np.arange(frames) / sample_rate
    bins = np.fft.rfftfreq(2 * frames, 1.0 / sample_rate)
    spectrum = np.fft.rfft(rng.standard_normal((2, 2 * frames)))
    high = 1.0 / (1.0 + (bins / room.damping_hz) ** 2)
    low_share = 1.0 / (1.0 + (bins / 600.0) ** 4)
    high_share = 1.0 - 1.0 / (1.0 + (bins / 3000.0) ** 4)
    shares = (low_share, 1.0 - low_share - high_share, high_share)
    tail = np.zeros((2, frames))
    for share, stretch in zip(shares, (1.1, 1.0, 0.55), strict=True):
        band = np.fft.irfft(spectrum * share * high, 2 * frames)[:, :frames]
        tail += band * np.exp(-LN_1000 * seconds / (room.decay_s * stretch))
    start = int(room.predelay_ms * 0.001 * sample_rate)
    build = int(0.03 * sample_rate)
    tail[:, :build] *= np.linspace(0.0, 1.0, build) ** 2
    response = np.zeros((2, frames))
    response[:, start:] = tail[:, : frames - start]
    response /= np.sqrt(np.sum(np.square(response), axis=1, keepdims=True))
    for side in range(2):
        when = start * 0.5 + np.sort(rng.uniform(0.003, 0.07, ECHOES)) * sample_rate
        strength = 0.32 * rng.choice([-1.0, 1.0], ECHOES) * np.exp(-(when / sample_rate) / 0.035)
        np.add.at(response[side], when.astype(int), strength)
    return _without_lows(response / np.sqrt(np.sum(np.square(response), axis=1, keepdims=True)), sample_rate)


def _without_lows(response: Values, sample_rate: int) -> Samples:
    size = 2 * response.shape[1]
    bins = np.fft.rfftfreq(size, 1.0 / sample_rate)
    cut = 1.0 / (1.0 + (150.0 / np.maximum(bins, 1e-3)) ** 4)
    return np.fft.irfft(np.fft.rfft(response, size) * cut, size)[:, : response.shape[1]].astype(np.float32)


def convolve(send: Samples, response: Samples) -> Samples:
    """Each channel of `send` with that of `response`, cut to the length of `send`."""
    hop = BLOCK - response.shape[1] + 1
    frames = send.shape[1]
    spectrum = np.fft.rfft(response, BLOCK)
    wet = np.zeros((2, frames + BLOCK), dtype=np.float32)
    for start in range(0, frames, hop):
        block = np.fft.rfft(send[:, start : start + hop], BLOCK)
        wet[:, start : start + BLOCK] += np.fft.irfft(block * spectrum, BLOCK)
    return wet[:, :frames]
