"""Mixdown: every part of the score played, placed, balanced and put in the room.

Conventions: planar stereo (2, frames) float32 inside, (frames, 2) out; levels in dB as the score
writes them; nothing is limited here. Deterministic: every random choice comes from the score's seed
and the part's place in the score. (Same machine, same bytes; another processor may round sines and
matrix products differently in the last bit.)

Room: early reflections and a tail that decays, different left and right.

The impulse response is made, not recorded: a dozen single echoes a side, then Gaussian noise whose
low, middle and high bands decay at their own speed (air and walls take the high ones first). The
convolution is by overlap-add, a few long FFTs a channel.

Conventions: planar stereo (2, frames) float32; the response has energy 1 a channel, so that the
send's level is the level of the room; the room does not sound below 150 Hz.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain, seconds_to_frames
from simulator.demo.modal import LN_1000, Samples, Values, drawn
from simulator.demo.players import Clock, play_part
from simulator.demo.score import Part, Room, Score

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


DUCK_RETURN_S = 0.24
"""Time in which a ducked part comes back after the kick."""


def compose(score: Score) -> NDArray[np.float32]:
    """The mix of a piece, (frames, 2) float32, peaks where they fall."""
    head = score.head
    clock = Clock(score)
    frames = seconds_to_frames(clock.end_s, head.sample_rate)
    dry = np.zeros((2, frames), dtype=np.float32)
    send = np.zeros((2, frames), dtype=np.float32)
    duck = _duck_curve(score, clock, frames)
    for index, part in enumerate(score.parts):
        rng = np.random.default_rng([head.seed, index])
        bus = play_part(part, clock, frames, head.sample_rate, rng)
        bus = _treated(bus, part, duck, head.sample_rate)
        dry += bus
        bus *= np.float32(db_to_gain(part.text.room_db))
        send += bus
    response = impulse_response(head.room, head.sample_rate, head.seed)
    dry += convolve(send, response) * np.float32(db_to_gain(head.room.level_db))
    if head.drive_db > 0.0:
        dry = saturated(dry, head.drive_db)
    return np.ascontiguousarray(_without_rumble(dry, head.sample_rate).T)


def saturated(bus: Samples, drive_db: float) -> Samples:
    """A bus pushed into a rounded transfer (tanh), level kept for small signals."""
    drive = np.float32(db_to_gain(drive_db))
    return np.asarray(np.tanh(bus * drive) / drive, dtype=np.float32)


def _treated(bus: Samples, part: Part, duck: Samples | None, sample_rate: int) -> Samples:
    text = part.text
    if text.drive_db > 0.0:
        bus = saturated(bus, text.drive_db)
    bus *= np.float32(db_to_gain(text.level_db))
    if text.duck_db > 0.0 and duck is not None:
        bus *= 1.0 - duck * np.float32(1.0 - db_to_gain(-text.duck_db))
    if bus.shape[0] == 1:
        angle = 0.25 * np.pi * (1.0 + text.pan)  # equal power
        bus = bus * (np.sqrt(2.0) * np.array([[np.cos(angle)], [np.sin(angle)]])).astype(np.float32)
    else:
        left, right = min(1.0, 1.0 - text.pan), min(1.0, 1.0 + text.pan)
        if text.width != 1.0:
            other = np.float32(0.5 - 0.5 * text.width) * (bus[1] - bus[0])
            bus[0] += other
            bus[1] -= other
        if text.pan != 0.0:
            bus *= np.array([[left], [right]], dtype=np.float32)
    if text.tremolo_hz > 0.0:
        sway = np.sin(np.arange(bus.shape[1]) * (2.0 * np.pi * text.tremolo_hz / sample_rate)).astype(
            np.float32
        )
        bus[0] *= 1.0 + np.float32(0.22) * sway
        bus[1] *= 1.0 - np.float32(0.22) * sway
    return np.asarray(bus, dtype=np.float32)


def _duck_curve(score: Score, clock: Clock, frames: int) -> Samples | None:
    """1 at each kick, back to 0 in DUCK_RETURN_S: what ducked parts make room for."""
    if not any(part.text.duck_db > 0.0 for part in score.parts):
        return None
    rate = score.head.sample_rate
    shape = (1.0 - np.linspace(0.0, 1.0, int(DUCK_RETURN_S * rate))) ** 1.5
    rise = int(0.003 * rate)
    shape[:rise] *= np.linspace(0.0, 1.0, rise)
    curve = np.zeros(frames, dtype=np.float32)
    for part in score.parts:
        for passage in part.passages:
            for note in passage.notes:
                if note.sound != "kick":
                    continue
                start = seconds_to_frames(clock.seconds(passage.section.start_beat + note.start_beat), rate)
                window = curve[start : start + len(shape)]
                np.maximum(window, shape[: len(window)], out=window, casting="same_kind")
    return curve


def _without_rumble(mix: Samples, sample_rate: int) -> Samples:
    """The mix less its content below about 25 Hz, DC included: a one-pole low-pass, run on the means of
    short blocks and drawn straight between them, is taken away."""
    block = 64
    count = -(-mix.shape[1] // block)
    padded = np.zeros((2, count * block), dtype=np.float32)
    padded[:, : mix.shape[1]] = mix
    means = padded.reshape(2, count, block).mean(axis=2, dtype=np.float64)
    # centred, so zero-phase: Gaussian of about 20 Hz over the block means
    width = 0.13 / 20.0 * sample_rate / block
    reach = int(4 * width)
    window = np.exp(-0.5 * np.square(np.arange(-reach, reach + 1) / width))
    window /= window.sum()
    slow = np.stack([np.convolve(side, window, mode="same") for side in means]).astype(np.float32)
    edges = np.concatenate([slow[:, :1], 0.5 * (slow[:, 1:] + slow[:, :-1]), slow[:, -1:]], axis=1)
    return np.asarray(mix - drawn(edges, block, mix.shape[1]).astype(np.float32), dtype=np.float32)
