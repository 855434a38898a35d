"""The listening prompt: session, deck and terminal held together."""
