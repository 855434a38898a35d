"""Packed form of cached results, checked on the way in.

Not pickle: a cache is only data, and a damaged one must not be able to do anything.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any, TypeVar

import msgspec
import numpy as np

from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import ClippedRun, Measurement, OverEvent, Series, Warning_


class _Form(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Measurement with its arrays as bytes."""

    scalars: dict[str, float | int | bool | None]
    dc_offset: tuple[float, ...]
    overs: tuple[tuple[float, float, float], ...]
    clipped_runs: tuple[tuple[float, int, int, float], ...]
    warnings: tuple[tuple[str, str], ...]
    energy: bytes
    true_peak: bytes
    limiter: tuple[float, float, float] | None = None


_COMPOUND = ("dc_offset", "overs", "clipped_runs", "warnings", "series")
_SCALARS = tuple(field.name for field in fields(Measurement) if field.name not in _COMPOUND)


def pack(measurement: Measurement, limiter: LimiterReport | None = None) -> bytes:
    """The bytes to keep; with what the limiter did, for a measurement of a chain's output."""
    form = _Form(
        scalars={name: getattr(measurement, name) for name in _SCALARS},
        dc_offset=measurement.dc_offset,
        overs=tuple((over.start_s, over.end_s, over.peak_dbtp) for over in measurement.overs),
        clipped_runs=tuple(
            (run.start_s, run.length_frames, run.channel, run.level_dbfs) for run in measurement.clipped_runs
        ),
        warnings=tuple((note.code, note.text) for note in measurement.warnings),
        energy=measurement.series.energy.astype("<f8").tobytes(),
        true_peak=measurement.series.true_peak.astype("<f4").tobytes(),
        limiter=None
        if limiter is None
        else (limiter.max_reduction_db, limiter.mean_reduction_db, limiter.share_over_1_db),
    )
    return msgspec.msgpack.encode(form)


def unpack(data: bytes) -> tuple[Measurement, LimiterReport | None]:
    """What `pack` packed. Raises ValueError where the bytes are not that."""
    try:
        form = msgspec.msgpack.decode(data, type=_Form)
        scalars: dict[str, Any] = form.scalars
        if set(scalars) != set(_SCALARS):
            raise ValueError("other fields")
        if not all(math.isfinite(one) for one in scalars.values() if one is not None):
            raise ValueError("a figure that is no number")
        measurement = Measurement(
            **scalars,
            dc_offset=form.dc_offset,
            overs=tuple(OverEvent(*over) for over in form.overs),
            clipped_runs=tuple(ClippedRun(*run) for run in form.clipped_runs),
            warnings=tuple(Warning_(*note) for note in form.warnings),
            series=Series(
                np.frombuffer(form.energy, "<f8").astype(np.float64),
                np.frombuffer(form.true_peak, "<f4").astype(np.float32),
            ),
        )
    except (msgspec.MsgspecError, UnicodeDecodeError, TypeError) as problem:
        raise ValueError(str(problem)) from None
    energy, true_peak = measurement.series.energy, measurement.series.true_peak
    if energy.shape != true_peak.shape or not (np.isfinite(energy).all() and np.isfinite(true_peak).all()):
        raise ValueError("series that are none")
    limiter = None if form.limiter is None else LimiterReport(*form.limiter)
    return measurement, limiter


Pair = TypeVar("Pair", Alignment, Difference)


def pack_pair(found: Alignment | Difference) -> bytes:
    """The bytes to keep of what was found between two versions."""
    return msgspec.msgpack.encode(found)


def unpack_pair(data: bytes, kind: type[Pair]) -> Pair:
    """What `pack_pair` packed. Raises ValueError where the bytes are not that."""
    try:
        return msgspec.msgpack.decode(data, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError) as problem:
        raise ValueError(str(problem)) from None
