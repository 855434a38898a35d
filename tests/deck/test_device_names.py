"""Devices are found by name, never by number."""

from __future__ import annotations

import pytest

from simulator.common.errors import UsageError
from simulator.deck.interface import DeviceView
from simulator.deck.stream import NoSound, named, outputs

DEVICES = [
    DeviceView("Built-in: Line (hw:0,0)", 2, 48_000),
    DeviceView("Monitors", 2, 48_000, default=True),
    DeviceView("Monitors B", 2, 96_000),
    DeviceView("Headphones", 2, 44_100),
]


@pytest.mark.parametrize(
    ("name", "index"),
    [(None, 1), ("Monitors", 1), ("monitors b", 2), ("head", 3), ("hw:0", 0), ("LINE", 0)],
)
def test_a_device_is_its_name_or_a_part_that_only_it_has(name: str | None, index: int) -> None:
    assert named(DEVICES, name) == index


def test_a_name_that_fits_none_or_several_is_refused_with_what_there_is() -> None:
    with pytest.raises(UsageError, match=r"No output device 'amp'\. Available: Built-in.*Headphones\."):
        named(DEVICES, "amp")
    with pytest.raises(
        UsageError, match=r"Several devices have 'monit' in their names: Monitors, Monitors B\."
    ):
        named(DEVICES, "monit")


def test_without_portaudio_the_reason_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    import builtins

    real = builtins.__import__

    def without(name: str, *more: object, **others: object) -> object:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *more, **others)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(NoSound, match="libportaudio2"):
        outputs()
