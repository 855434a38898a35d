"""The demo music: a score (data in demo_playlist/) becomes sound."""
