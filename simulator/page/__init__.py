"""The client's page: what goes on it."""
