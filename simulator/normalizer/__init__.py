"""The normalising player: its profile, the gain it applies and why, and the chain that plays it."""
