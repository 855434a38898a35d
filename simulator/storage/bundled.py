"""Bundled files, and the player profile that a name means.

Imports nothing that needs numpy, so that listing profiles is quick.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from simulator.common.errors import ProfileError, SimulatorError, WriteError
from simulator.common.toml_tables import nearest
from simulator.normalizer.profile import Profile, check_profile_id, parse_profile
from simulator.storage.small_files import LARGEST_PROFILE_BYTES, read_named
from simulator.storage.writing import whole_file

PACKAGE = Path(__file__).resolve().parent.parent
ALL = "all"


def bundled_folder(name: str, package: Path = PACKAGE) -> Path:
    """The data folder `name`: inside the installed package, else beside it in a source tree (with a
    pyproject.toml). Raises SimulatorError where there is neither."""
    installed = package / "_data" / name
    if installed.is_dir():
        return installed
    beside = package.parent / name
    if beside.is_dir() and (package.parent / "pyproject.toml").is_file():
        return beside
    raise SimulatorError(f"The program's own folder {name} is missing.", "Reinstall fairhearing.")


def bundled_profile_ids() -> list[str]:
    """The ids of the profiles that come with the program, in alphabetical order."""
    return sorted(path.stem for path in bundled_folder("profiles").glob("*.toml"))


def load_profile(id_or_path: str) -> Profile:
    """The bundled profile of that id, or the one in a file (a path ends in .toml or contains a slash). Raises
    ProfileError."""
    path = _profile_path(id_or_path)
    return parse_profile(_read(path), path.stem, str(path) if _is_path(id_or_path) else path.name)


def load_profiles(wanted: Iterable[str]) -> list[Profile]:
    """The profiles that `--profile` names: ids or paths, single or with commas between them, or `all`
    for the bundled ones; each once, in the order named."""
    names: dict[str, None] = {}
    for argument in wanted:
        whole = _is_path(argument) and os.path.exists(argument)  # a file name may contain a comma
        for name in [argument] if whole else [part.strip() for part in argument.split(",")]:
            if name:
                names.update(dict.fromkeys(bundled_profile_ids() if name == ALL else [name]))
    if not names:
        raise ProfileError("No profile given.", f"Known: {', '.join(bundled_profile_ids())}, {ALL}.")
    return [load_profile(name) for name in names]


def new_profile(from_id: str, dest_path: str) -> Path:
    """Copies a profile (id or path) to a new file, for the user to edit; returns its path. Raises
    ProfileError for a name that no profile can have, WriteError where the file exists or cannot be
    written."""
    target = Path(dest_path)
    if target.suffix != ".toml":
        raise ProfileError(f"{dest_path}: a profile's file name must end in .toml.", "Add .toml to it.")
    check_profile_id(target.stem, dest_path)
    load_profile(from_id)
    text = _read(_profile_path(from_id))
    if os.path.lexists(target):
        raise WriteError(f"{dest_path} already exists and was not overwritten.", "Choose another name.")
    with whole_file(target, force=False) as passing:
        passing.write_text(text, encoding="utf-8", newline="\n")
    return target


def _is_path(name: str) -> bool:
    return name.endswith(".toml") or "/" in name or os.sep in name


def _profile_path(id_or_path: str) -> Path:
    if _is_path(id_or_path):
        return Path(id_or_path)
    known = bundled_profile_ids()
    if id_or_path not in known:
        close = nearest(id_or_path, known)
        cure = f"Did you mean {close}?" if close else f"Known: {', '.join(known)}, or a path to a .toml file."
        raise ProfileError(f'Unknown profile "{id_or_path}".', cure)
    return bundled_folder("profiles") / f"{id_or_path}.toml"


def _read(path: Path) -> str:
    try:
        return read_named(path, LARGEST_PROFILE_BYTES, "this profile", ProfileError).decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise ProfileError(
            f"{path}: byte {problem.start + 1} is not UTF-8.", "Save the profile as plain text in UTF-8."
        ) from None
