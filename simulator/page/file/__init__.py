"""How the client's page becomes a file: audio cut, vote drawn, one HTML file written."""
