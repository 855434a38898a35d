"""The player's model: profiles, playlists, the gain decision and the chain that applies it."""
