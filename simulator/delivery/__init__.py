"""Is this master ready to go out? Findings, from measurements and scans passed in."""
