"""What most commands begin with: the tracks of a playlist measured, and what players do to them predicted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from simulator.cli.options import CacheOptions
from simulator.cli.output import steps
from simulator.cli.settings import default_profiles
from simulator.common.errors import NothingDoneError, SimulatorError
from simulator.comparison.same_song import same_song
from simulator.engine.predict import MeasuredTrack, measure_tracks, predict
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Playlist
from simulator.storage.bundled import load_profiles
from simulator.text.comparison.table import MOST_VERSIONS

DEFAULT_PROFILE = "minus14-headroom"
ONE_SONG = "versions"
"""The song key of files that are recognised as versions of one song."""
COMPARED = "compared"
"""The song key of files that the user sets side by side."""

Predictions = Sequence[Prediction | SimulatorError | None]
"""One for each track: None where it could not be read, an error where it could not be read again."""


@dataclass(frozen=True, slots=True)
class PreparedPlaylist:
    """A playlist measured and predicted: `predictions` has a row for each of `profiles`. `cache` is for
    further work: every file has been read by then, so without --rehash."""

    playlist: Playlist
    profiles: list[Profile]
    tracks: list[MeasuredTrack]
    predictions: list[Predictions]
    cache: CacheOptions

    def by_player(self) -> list[tuple[Profile, Predictions]]:
        """Each profile with its row of predictions."""
        return list(zip(self.profiles, self.predictions, strict=True))

    @property
    def failed(self) -> bool:
        """True where a track could not be measured or predicted."""
        again = any(isinstance(found, SimulatorError) for row in self.predictions for found in row)
        return again or any(track.problem is not None for track in self.tracks)

    @property
    def nothing(self) -> bool:
        """True where no track could be read at all."""
        return all(track.problem is not None for track in self.tracks)

    @property
    def problems(self) -> list[SimulatorError]:
        """Why tracks could not be read, or not be played by a player."""
        found = [track.problem for track in self.tracks if track.problem is not None]
        return found + [one for row in self.predictions for one in row if isinstance(one, SimulatorError)]

    def played_by(self, places: Sequence[int]) -> bool:
        """True where any of these players (by place) plays any track."""
        return any(isinstance(found, Prediction) for place in places for found in self.predictions[place])


def nothing_read() -> NothingDoneError:
    """The error of a command whose tracks were all unreadable, after their own messages."""
    return NothingDoneError("No track could be read.", "See the messages above.")


def nothing_played(one_player: bool) -> NothingDoneError:
    """The error of a command whose players could play none of the tracks."""
    which = "this player" if one_player else "any of these players"
    return NothingDoneError(f"No track could be played by {which}.", "See the messages above.")


def versions_marked(tracks: list[MeasuredTrack]) -> list[MeasuredTrack]:
    """Two to six masters without song keys that are all versions of one song get a key: they are
    alternatives, which no player plays as an album. Any other list stays as it is."""
    measured = [track.measurement for track in tracks if track.measurement is not None]
    named = any(track.track.song or track.track.role == "reference" for track in tracks)
    if named or not 2 <= len(measured) == len(tracks) <= MOST_VERSIONS:
        return tracks
    if not all(same_song(measured[0], other) for other in measured[1:]):
        return tracks
    return [replace(track, track=replace(track.track, song=ONE_SONG)) for track in tracks]


def as_versions(playlist: Playlist, most: int = 2) -> Playlist:
    """Two tracks alone are alternatives, not an album of two. So are up to `most` of which none names a
    song."""
    tracks = playlist.tracks
    songs = {track.song for track in tracks}
    if not 2 <= len(tracks) <= most or (len(tracks) > 2 and songs != {None}):
        return playlist
    song = next(iter(songs)) if len(songs) == 1 else None
    return replace(playlist, tracks=tuple(replace(track, song=song or COMPARED) for track in tracks))


def prepare(
    playlist: Playlist, profiles: Sequence[str], cache: CacheOptions, *, versions: bool = True
) -> PreparedPlaylist:
    """Measures the playlist with progress on standard error, recognises versions of one song (unless
    `versions` is False), and predicts what the players of --profile do, else the playlist's own, else the
    default. Tracks that fail are values in the result; nothing is printed for them. Raises UsageError and
    ProfileError."""
    own = (playlist.profile,) if playlist.profile else default_profiles()
    chosen = load_profiles(profiles or own or (DEFAULT_PROFILE,))
    with cache.store() as store:
        with steps("Measuring", len(playlist.tracks), cache.kept) as step:
            tracks = measure_tracks(playlist, store, cache.workers, step)
        tracks = versions_marked(tracks) if versions else tracks
        playlist = replace(playlist, tracks=tuple(track.track for track in tracks))
        with steps("Predicting", len(tracks) * len(chosen), cache.kept) as step:
            table = predict(chosen, tracks, playlist.album_reason, store, cache.workers, step)
    return PreparedPlaylist(playlist, chosen, tracks, list(table), replace(cache, rehash=False))
