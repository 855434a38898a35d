"""Threads for the channels of one stream: two, every channel on the same one all the time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

Part = TypeVar("Part")
Found = TypeVar("Found")


class _Threads:
    def __init__(self, threads: tuple[ThreadPoolExecutor, ...]) -> None:
        self._threads = threads

    def __call__(self, function: Callable[[Part], Found], parts: Iterable[Part]) -> Iterator[Found]:
        count = len(self._threads)
        begun = [self._threads[i % count].submit(function, part) for i, part in enumerate(parts)]
        return (one.result() for one in begun)


@contextmanager
def channel_threads() -> Iterator[_Threads]:
    """An `each` for `measure` that begins at once (see `reads_on` there)."""
    with ThreadPoolExecutor(1) as first, ThreadPoolExecutor(1) as second:
        yield _Threads((first, second))
