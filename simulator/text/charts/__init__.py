"""Pictures of results: two versions over time, players, the ladder; drawn by matplotlib, imported where it
draws."""
